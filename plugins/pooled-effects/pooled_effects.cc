#include "plugins/pooled-effects/pooled_effects.h"

#include <cmath>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "plugins/pooled-effects/synthesis.h"
#include "plugins/sdk/parameters.h"
#include "plugins/stats/arguments.h"

namespace plumule::pooled_effects {
namespace {

using analysis::v1::Estimate;
using analysis::v1::Standing;

constexpr int kFewestForHartungKnapp = 3;
constexpr int kMostForLeaveOneOut = 200;

void ReadParameters(const sdk::Parameters& parameters, Synthesis& synthesis) {
  const std::string tau_squared = parameters.Choice("tau2_method");
  if (tau_squared == "dersimonian_laird") {
    synthesis.tau_squared = stats::TauSquaredMethod::kDerSimonianLaird;
  } else if (tau_squared == "paule_mandel") {
    synthesis.tau_squared = stats::TauSquaredMethod::kPauleMandel;
  }
  if (parameters.Choice("interval") == "z" || synthesis.k() < kFewestForHartungKnapp) {
    synthesis.errors = stats::PooledErrors::kNormal;
  }
  synthesis.prediction_name = parameters.Choice("prediction");
  if (synthesis.prediction_name == "t_k_minus_1") {
    synthesis.prediction = stats::PredictionConvention::kTKMinusOne;
  } else if (synthesis.prediction_name == "normal") {
    synthesis.prediction = stats::PredictionConvention::kNormal;
  }
}

absl::StatusOr<Synthesis> Prepare(const plugin::v1::Manifest& manifest,
                                  const plugin::v1::SynthesizeRequest& request) {
  auto parameters = sdk::Parameters::Make(manifest, request.parameters());
  if (!parameters.ok()) return parameters.status();
  auto studies = ReadStudies(request);
  if (!studies.ok()) return studies.status();
  Synthesis synthesis;
  synthesis.studies = *std::move(studies);
  synthesis.measure = request.measure();
  synthesis.is_log = absl::StartsWith(request.measure(), "log_");
  synthesis.unit = request.unit().empty() ? "1" : request.unit();
  if (request.confidence_level() != 0) synthesis.level = request.confidence_level();
  if (!(synthesis.level > 0.5 && synthesis.level < 1)) {
    return absl::InvalidArgumentError("the confidence level must lie above 0.5 and below 1");
  }
  ReadParameters(*parameters, synthesis);
  return synthesis;
}

Estimate MakeEstimate(const Synthesis& synthesis, absl::string_view measure,
                      absl::string_view method, Standing standing) {
  Estimate estimate;
  estimate.set_measure(std::string(measure));
  estimate.set_method(std::string(method));
  estimate.set_standing(standing);
  estimate.set_level(synthesis.level);
  estimate.set_scale("linear");
  estimate.set_unit(synthesis.unit);
  estimate.set_analysis_set("all_studies");
  return estimate;
}

std::string AddPooled(const Synthesis& synthesis, const stats::Pooled& pooled,
                      const std::string& method, Standing standing, const std::string& subgroup,
                      sdk::ResultBuilder& builder) {
  Estimate estimate = MakeEstimate(synthesis, "pooled_effect", method, standing);
  estimate.set_subgroup(subgroup);
  if (!pooled.converged) {
    builder.Warn("not_converged",
                 absl::StrCat("The estimate by ", method, " did not settle, so it is left out."));
    return builder.Add(std::move(estimate), "not_converged");
  }
  estimate.set_value(pooled.estimate);
  estimate.set_standard_error(pooled.standard_error);
  if (pooled.limits) {
    estimate.set_lower(pooled.limits->lower);
    estimate.set_upper(pooled.limits->upper);
  }
  return builder.Add(std::move(estimate));
}

// The same as a ratio.
std::string AddRatio(const Synthesis& synthesis, const stats::Pooled& pooled,
                     const std::string& method, Standing standing, sdk::ResultBuilder& builder) {
  Estimate estimate = MakeEstimate(synthesis, "pooled_ratio", method, standing);
  estimate.set_scale("log");
  estimate.set_unit("1");
  estimate.set_value(std::exp(pooled.estimate));
  estimate.set_standard_error(pooled.standard_error);
  if (pooled.limits) {
    estimate.set_lower(std::exp(pooled.limits->lower));
    estimate.set_upper(std::exp(pooled.limits->upper));
  }
  return builder.Add(std::move(estimate));
}

void AddPooledTest(const stats::Pooled& pooled, const std::string& method, Standing standing,
                   sdk::ResultBuilder& builder) {
  if (!pooled.p_value) return;
  analysis::v1::Test test;
  test.set_id(absl::StrCat("test.pooled_effect.", method));
  test.set_name("pooled_effect");
  test.set_method(pooled.degrees_of_freedom ? "t" : "normal");
  if (pooled.statistic) test.set_statistic(*pooled.statistic);
  if (pooled.degrees_of_freedom) test.set_df(*pooled.degrees_of_freedom);
  test.set_p_value(*pooled.p_value);
  test.set_standing(standing);
  builder.Add(std::move(test));
}

// The pooled effect in every way that is reported, the one asked for first.
absl::Status AddPooledEffects(const Synthesis& synthesis, Synthesized& found,
                              sdk::ResultBuilder& builder) {
  struct Way {
    stats::TauSquaredMethod method;
    stats::PooledErrors errors;
  };
  std::vector<Way> ways = {{synthesis.tau_squared, synthesis.errors}};
  if (synthesis.errors != stats::PooledErrors::kNormal) {
    ways.push_back({synthesis.tau_squared, stats::PooledErrors::kNormal});
  } else if (synthesis.k() >= kFewestForHartungKnapp) {
    ways.push_back({synthesis.tau_squared, stats::PooledErrors::kHartungKnappSafeguarded});
  }
  ways.push_back({stats::TauSquaredMethod::kCommonEffect, stats::PooledErrors::kNormal});
  bool first = true;
  for (const Way& way : ways) {
    auto pooled = stats::Pool(synthesis.studies.effects, {way.method, way.errors, synthesis.level});
    if (!pooled.ok()) return pooled.status();
    const Standing standing =
        first ? analysis::v1::STANDING_PRIMARY : analysis::v1::STANDING_SENSITIVITY;
    const std::string method = MethodName(way.method, way.errors);
    const std::string id = AddPooled(synthesis, *pooled, method, standing, "", builder);
    std::string ratio;
    if (synthesis.is_log && pooled->converged) {
      ratio = AddRatio(synthesis, *pooled, method, standing, builder);
    }
    if (pooled->converged) AddPooledTest(*pooled, method, standing, builder);
    if (first) {
      found.primary = *pooled;
      found.pooled_id = id;
      found.ratio_id = ratio;
    }
    first = false;
  }
  return absl::OkStatus();
}

absl::Status AddHeterogeneity(const Synthesis& synthesis, Synthesized& found,
                              sdk::ResultBuilder& builder) {
  if (synthesis.k() < 2) return absl::OkStatus();
  const std::string method(stats::ToString(synthesis.tau_squared));
  auto spread = stats::MeasureHeterogeneity(synthesis.studies.effects, synthesis.tau_squared,
                                            found.primary.tau_squared);
  if (!spread.ok()) return spread.status();
  auto limits = stats::TauSquaredLimits(synthesis.studies.effects, synthesis.level);
  if (!limits.ok()) return limits.status();

  Estimate tau_squared =
      MakeEstimate(synthesis, "tau_squared", method, analysis::v1::STANDING_DESCRIPTIVE);
  tau_squared.set_unit(synthesis.unit == "1" ? "1" : absl::StrCat(synthesis.unit, "2"));
  tau_squared.set_value(found.primary.tau_squared);
  if (limits->has_value()) {
    tau_squared.set_lower((*limits)->lower);
    tau_squared.set_upper((*limits)->upper);
  }
  const bool outside = limits->has_value() && ((*limits)->lower > found.primary.tau_squared ||
                                               (*limits)->upper < found.primary.tau_squared);
  const std::string id = builder.Add(std::move(tau_squared));
  if (outside) {
    builder.Warn("estimate_outside_limits",
                 absl::StrCat("The limits of ", id,
                              " come from the Q-profile method, which is another than that of the "
                              "estimate, and do not hold it."));
  }

  Estimate i_squared =
      MakeEstimate(synthesis, "i_squared", method, analysis::v1::STANDING_DESCRIPTIVE);
  i_squared.set_unit("%");
  i_squared.set_value(spread->i_squared);
  found.i_squared_id = builder.Add(std::move(i_squared));

  Estimate h_squared =
      MakeEstimate(synthesis, "h_squared", method, analysis::v1::STANDING_DESCRIPTIVE);
  h_squared.set_unit("1");
  h_squared.set_value(spread->h_squared);
  builder.Add(std::move(h_squared));

  analysis::v1::Test q;
  q.set_name("cochran_q");
  q.set_method("chi_square");
  q.set_statistic(spread->q.statistic);
  q.set_df(spread->q.degrees_of_freedom);
  q.set_standing(analysis::v1::STANDING_DESCRIPTIVE);
  if (spread->q.p_value) q.set_p_value(*spread->q.p_value);
  builder.Add(std::move(q), "one_study");
  return absl::OkStatus();
}

// From the usual standard error of the pooled effect, whatever its own interval rests on: that is
// what all three conventions mean.
void AddPrediction(const Synthesis& synthesis, Synthesized& found, sdk::ResultBuilder& builder) {
  if (synthesis.k() < 2 || !found.primary.converged) return;
  auto normal = stats::Pool(synthesis.studies.effects,
                            {synthesis.tau_squared, stats::PooledErrors::kNormal, synthesis.level});
  if (!normal.ok()) return;
  found.prediction = stats::PredictionInterval(*normal, synthesis.prediction, synthesis.level);
  if (!found.prediction) {
    builder.Warn(
        "no_prediction_interval",
        absl::StrCat("With ", synthesis.k(), " studies there is no prediction interval by ",
                     synthesis.prediction_name, "."));
    return;
  }
  Estimate estimate = MakeEstimate(synthesis, "prediction_interval", synthesis.prediction_name,
                                   analysis::v1::STANDING_SECONDARY);
  estimate.set_value(normal->estimate);
  estimate.set_lower(found.prediction->lower);
  estimate.set_upper(found.prediction->upper);
  found.prediction_id = builder.Add(std::move(estimate));
  if (!synthesis.is_log) return;
  Estimate ratio = MakeEstimate(synthesis, "prediction_interval_ratio", synthesis.prediction_name,
                                analysis::v1::STANDING_SECONDARY);
  ratio.set_unit("1");
  ratio.set_scale("log");
  ratio.set_value(std::exp(normal->estimate));
  ratio.set_lower(std::exp(found.prediction->lower));
  ratio.set_upper(std::exp(found.prediction->upper));
  found.prediction_id = builder.Add(std::move(ratio));
}

void AddWeights(const Synthesis& synthesis, const Synthesized& found, sdk::ResultBuilder& builder) {
  analysis::v1::Table table;
  table.set_id("studies");
  table.set_title("Studies and their weights in the primary pooled effect");
  for (const char* column :
       {"study", "group", "effect", "standard error", "lower", "upper", "weight"}) {
    table.add_columns(column);
  }
  const double z = stats::TwoSidedNormalQuantile(synthesis.level);
  for (std::size_t i = 0; i < synthesis.studies.size(); ++i) {
    const stats::Effect& effect = synthesis.studies.effects[i];
    const double error = std::sqrt(effect.variance);
    auto& row = *table.add_rows();
    *row.add_cells() = sdk::TextCell(synthesis.studies.names[i]);
    *row.add_cells() = sdk::TextCell(synthesis.studies.groups[i]);
    for (const double number : {effect.estimate, error, effect.estimate - z * error,
                                effect.estimate + z * error, found.primary.weight[i]}) {
      *row.add_cells() = sdk::NumberCell(number);
    }
  }
  builder.Add(std::move(table));
}

absl::Status AddLeaveOneOut(const Synthesis& synthesis, sdk::ResultBuilder& builder) {
  if (synthesis.k() < 2) return absl::OkStatus();
  if (synthesis.k() > kMostForLeaveOneOut) {
    builder.Warn("leave_one_out_left_out",
                 absl::StrCat("With more than ", kMostForLeaveOneOut,
                              " studies none of them alone can matter much; the table that leaves "
                              "out one at a time is not made."));
    return absl::OkStatus();
  }
  // Without one study Hartung and Knapp's interval may have too few; then the normal one is shown.
  const auto errors =
      synthesis.k() - 1 < kFewestForHartungKnapp ? stats::PooledErrors::kNormal : synthesis.errors;
  auto without = stats::LeaveOneOut(synthesis.studies.effects,
                                    {synthesis.tau_squared, errors, synthesis.level});
  if (!without.ok()) return without.status();
  analysis::v1::Table table;
  table.set_id("leave_one_out");
  table.set_title(absl::StrCat("Pooled effect without each study, by ",
                               MethodName(synthesis.tau_squared, errors)));
  for (const char* column :
       {"left out", "pooled effect", "standard error", "lower", "upper", "tau squared"}) {
    table.add_columns(column);
  }
  for (std::size_t i = 0; i < without->size(); ++i) {
    const stats::Pooled& pooled = (*without)[i];
    auto& row = *table.add_rows();
    *row.add_cells() = sdk::TextCell(synthesis.studies.names[i]);
    *row.add_cells() = sdk::NumberCell(pooled.estimate);
    *row.add_cells() = sdk::NumberCell(pooled.standard_error);
    *row.add_cells() = pooled.limits ? sdk::NumberCell(pooled.limits->lower) : analysis::v1::Cell();
    *row.add_cells() = pooled.limits ? sdk::NumberCell(pooled.limits->upper) : analysis::v1::Cell();
    *row.add_cells() = sdk::NumberCell(pooled.tau_squared);
  }
  builder.Add(std::move(table));
  return absl::OkStatus();
}

// Each group pooled by itself (τ² of its own), and Cochran's Q between the groups' pooled effects.
absl::Status AddGroups(const Synthesis& synthesis, sdk::ResultBuilder& builder) {
  std::vector<stats::Effect> pooled_groups;
  for (const auto& [group, positions] : Groups(synthesis.studies)) {
    const std::vector<stats::Effect> effects = At(synthesis.studies, positions);
    const bool few = static_cast<int>(effects.size()) < kFewestForHartungKnapp;
    const auto errors = few ? stats::PooledErrors::kNormal : synthesis.errors;
    auto pooled = stats::Pool(effects, {synthesis.tau_squared, errors, synthesis.level});
    if (!pooled.ok()) return pooled.status();
    AddPooled(synthesis, *pooled, MethodName(synthesis.tau_squared, errors),
              analysis::v1::STANDING_EXPLORATORY, absl::StrCat("group=", group), builder);
    auto normal = stats::Pool(
        effects, {synthesis.tau_squared, stats::PooledErrors::kNormal, synthesis.level});
    if (!normal.ok()) return normal.status();
    pooled_groups.push_back({normal->estimate, normal->standard_error * normal->standard_error});
  }
  if (pooled_groups.size() < 2) return absl::OkStatus();
  auto between =
      stats::MeasureHeterogeneity(pooled_groups, stats::TauSquaredMethod::kCommonEffect, 0);
  if (!between.ok()) return between.status();
  analysis::v1::Test test;
  test.set_name("between_groups");
  test.set_method("chi_square");
  test.set_statistic(between->q.statistic);
  test.set_df(between->q.degrees_of_freedom);
  if (between->q.p_value) test.set_p_value(*between->q.p_value);
  test.set_standing(analysis::v1::STANDING_EXPLORATORY);
  builder.Add(std::move(test), "groups_exploratory");
  builder.Warn("groups_exploratory",
               "Groups of studies were compared; unless they were declared before the studies were "
               "seen, take that as a hint only. Studies without a group are in no group.");
  return absl::OkStatus();
}

void WarnOfStudies(const Synthesis& synthesis, sdk::ResultBuilder& builder) {
  if (synthesis.k() == 1) {
    builder.Warn("one_study",
                 "There is one study only: its own effect is shown, and nothing is known about how "
                 "much studies differ.");
  } else if (synthesis.k() == 2) {
    builder.Warn("two_studies",
                 "Two studies can hardly show how much studies differ. The interval is the normal "
                 "one, because Hartung and Knapp's, with one degree of freedom, would span almost "
                 "anything; it is likely too narrow.");
  } else if (synthesis.k() < 5) {
    builder.Warn("few_studies",
                 "With fewer than 5 studies the variance between studies is known poorly.");
  }
  if (synthesis.studies.with_zero_cells > 0) {
    builder.Warn("zero_cells",
                 absl::StrCat("In ", synthesis.studies.with_zero_cells,
                              " of the studies some count was 0 (nobody, or everybody, of an arm); "
                              "one half was added to all four cells of those studies, and of no "
                              "others."));
  }
  if (synthesis.studies.with_moderators) {
    builder.Warn("moderators_not_used",
                 "Studies came with moderators; this version pools without them.");
  }
}

}  // namespace

std::string MethodName(stats::TauSquaredMethod method, stats::PooledErrors errors) {
  if (method == stats::TauSquaredMethod::kCommonEffect) return "inverse_variance_common";
  std::string name(stats::ToString(method));
  if (errors != stats::PooledErrors::kNormal) name += "_hartung_knapp";
  return name;
}

absl::StatusOr<analysis::v1::Result> Synthesize(const plugin::v1::Manifest& manifest,
                                                const plugin::v1::SynthesizeRequest& request,
                                                const sdk::Progress& progress) {
  auto prepared = Prepare(manifest, request);
  if (!prepared.ok()) return prepared.status();
  const Synthesis& synthesis = *prepared;
  sdk::ResultBuilder builder;
  WarnOfStudies(synthesis, builder);

  Synthesized found;
  if (auto status = AddPooledEffects(synthesis, found, builder); !status.ok()) return status;
  if (auto status = AddHeterogeneity(synthesis, found, builder); !status.ok()) return status;
  AddPrediction(synthesis, found, builder);
  progress(0.5, "looking at groups and single studies");
  AddWeights(synthesis, found, builder);
  if (auto status = AddGroups(synthesis, builder); !status.ok()) return status;
  if (auto status = AddLeaveOneOut(synthesis, builder); !status.ok()) return status;
  AddForest(synthesis, found, builder);
  SayFindings(synthesis, found, builder);
  AddMethod(synthesis, builder);
  progress(1, "done");
  const bool answered = found.primary.converged && synthesis.k() > 1;
  return builder.Finish(answered ? analysis::v1::RESULT_STATUS_ANSWERED
                                 : analysis::v1::RESULT_STATUS_PARTLY);
}

}  // namespace plumule::pooled_effects
