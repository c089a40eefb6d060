#include <algorithm>
#include <cmath>
#include <numeric>

#include "absl/strings/str_cat.h"
#include "plugins/stats/cox.h"
#include "plugins/stats/first_in_block.h"
#include "plugins/stats/log_rank.h"
#include "plugins/stats/multiplicity.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

using analysis::v1::Estimate;
using analysis::v1::Test;

// Above this, exact ties of three or more arms would take minutes; see stats/cox.h for the cost.
constexpr double kMostExactWork = 2e9;

// Work of an exact fit: Σ (tied events)² (arms)³ over days within blocks.
double ExactWork(const stats::Survival& data) {
  if (data.arms <= 2) return 0;
  std::vector<std::size_t> events;
  for (std::size_t row = 0; row < data.units(); ++row) {
    if (data.event[row] != 0) events.push_back(row);
  }
  const auto key = [&](std::size_t row) { return std::pair(data.block[row], data.time[row]); };
  std::sort(events.begin(), events.end(),
            [&](std::size_t a, std::size_t b) { return key(a) < key(b); });
  double work = 0;
  for (std::size_t first = 0; first < events.size();) {
    std::size_t last = first;
    while (last < events.size() && key(events[last]) == key(events[first])) ++last;
    const auto tied = static_cast<double>(last - first);
    work += tied * tied * std::pow(data.arms, 3);
    first = last;
  }
  return work;
}

stats::Ties ChooseTies(const Question& question, const SurvivalRows& rows,
                       sdk::ResultBuilder& builder) {
  const std::string asked = question.parameters.Choice("ties");
  if (asked == "efron") return stats::Ties::kEfron;
  if (asked == "breslow") return stats::Ties::kBreslow;
  if (ExactWork(rows.view()) <= kMostExactWork) return stats::Ties::kExact;
  builder.Warn("exact_ties_too_many",
               "So many units of a block reached the threshold on the same day that exact ties "
               "would take too long; the hazard ratio uses Efron's approximation, which lies "
               "nearer to 1.");
  return stats::Ties::kEfron;
}

std::string MethodName(const stats::CoxOptions& options) {
  if (options.cluster_robust) return "cox_cluster_robust";
  std::string name = "cox_stratified_by_block";
  if (options.ties != stats::Ties::kExact) {
    absl::StrAppend(&name, "_", std::string(stats::ToString(options.ties)));
  }
  return name;
}

// Warns why an arm has no finite hazard ratio and returns the reason.
std::string ExplainHazard(const Question& question, const stats::CoxFit& fit, int arm,
                          const std::string& method, sdk::ResultBuilder& builder) {
  const auto state = fit.state[static_cast<std::size_t>(arm)];
  const std::string control = question.Quoted(question.control());
  const std::string named = question.Quoted(arm);
  if (fit.status == stats::FitStatus::kNotConverged) {
    builder.Warn("not_converged", absl::StrCat("The fit of ", method,
                                               " did not settle, so its hazard ratios are left "
                                               "out."));
    return "not_converged";
  }
  if (state == stats::CoefficientState::kPlusInfinity ||
      state == stats::CoefficientState::kMinusInfinity) {
    const bool arm_first = state == stats::CoefficientState::kPlusInfinity;
    builder.Warn(
        "separation",
        absl::StrCat("Whenever ", named, " and ", control, " can be compared (", method, "), ",
                     arm_first ? named : control,
                     " was first: the hazard ratio has no finite estimate. Where a limit could be "
                     "had it stands alone; look at the restricted means instead."));
    return "separation";
  }
  builder.Warn("hazard_ratio_not_estimable",
               absl::StrCat("No unit that reached the threshold compares ", named, " with ",
                            control, " (", method, "), so there is no hazard ratio."));
  return "hazard_ratio_not_estimable";
}

void AddOneSidedLimit(const stats::CoxFit& fit, int arm, Estimate& estimate) {
  if (!fit.profile_limit) return;
  const auto state = fit.state[static_cast<std::size_t>(arm)];
  const double limit = std::exp(*fit.profile_limit);
  if (state == stats::CoefficientState::kPlusInfinity) estimate.set_lower(limit);
  if (state == stats::CoefficientState::kMinusInfinity) estimate.set_upper(limit);
}

void AddPoolable(const Estimate& estimate, double coefficient, sdk::ResultBuilder& builder) {
  analysis::v1::PoolableEffect effect;
  effect.set_measure("log_hazard_ratio");
  effect.set_method(estimate.method());
  effect.set_arm(estimate.arm());
  effect.set_against(estimate.against());
  effect.set_value(coefficient);
  effect.set_variance(estimate.standard_error() * estimate.standard_error());
  effect.set_units(estimate.units());
  effect.set_blocks(estimate.blocks());
  effect.set_unit("1");
  builder.Pool(std::move(effect));
}

absl::Status AddFit(const Question& question, const SurvivalRows& rows,
                    const stats::CoxOptions& options, sdk::ResultBuilder& builder) {
  auto fit = stats::FitCox(rows.view(), question.control(), options);
  if (!fit.ok()) return fit.status();
  const std::string method = MethodName(options);
  for (const int arm : question.treatments) {
    const auto position = static_cast<std::size_t>(arm);
    Estimate estimate =
        sdk::MakeEstimate(question, "hazard_ratio", method, analysis::v1::STANDING_SECONDARY);
    estimate.set_arm(question.arm(arm).id);
    estimate.set_against(question.arm(question.control()).id);
    estimate.set_scale("log");
    estimate.set_unit("1");
    estimate.set_units(rows.units(arm) + rows.units(question.control()));
    estimate.set_events(rows.events(arm) + rows.events(question.control()));
    estimate.set_blocks(options.cluster_robust ? fit->blocks : fit->informative_strata);
    const bool finite = fit->status != stats::FitStatus::kNotConverged &&
                        fit->state[position] == stats::CoefficientState::kFinite;
    if (!finite) {
      AddOneSidedLimit(*fit, arm, estimate);
      const auto reason = ExplainHazard(question, *fit, arm, method, builder);
      builder.Add(std::move(estimate), reason);
      continue;
    }
    estimate.set_value(std::exp(fit->coefficient[position]));
    estimate.set_standard_error(fit->standard_error[position]);
    estimate.set_lower(std::exp(fit->limits[position].lower));
    estimate.set_upper(std::exp(fit->limits[position].upper));
    Test test =
        sdk::MakeTest(question, "hazard_ratio", "normal", arm, analysis::v1::STANDING_SECONDARY);
    test.set_id(absl::StrCat("test.hazard_ratio.", method, ".", estimate.arm()));
    test.set_statistic(fit->coefficient[position] / fit->standard_error[position]);
    test.set_p_value(fit->p_value[position]);
    if (!options.cluster_robust) AddPoolable(estimate, fit->coefficient[position], builder);
    builder.Add(std::move(estimate));
    builder.Add(std::move(test));
  }
  return absl::OkStatus();
}

struct PairedTest {
  int arm;
  double p_value;
};

absl::Status AddLogRank(const Question& question, const stats::Survival& data,
                        stats::Stratification strata, int arm, std::vector<PairedTest>* p_values,
                        sdk::ResultBuilder& builder) {
  auto found = stats::TestLogRank(data, strata);
  if (!found.ok()) return found.status();
  const bool by_block = strata == stats::Stratification::kByBlock;
  Test test = sdk::MakeTest(question, by_block ? "log_rank_stratified_by_block" : "log_rank",
                            "chi_square", arm, analysis::v1::STANDING_SECONDARY);
  if (SetFigures(found->test, &test)) {
    if (p_values != nullptr) p_values->push_back({arm, *found->test.p_value});
    builder.Add(std::move(test));
    return absl::OkStatus();
  }
  builder.Warn("nothing_to_rank",
               absl::StrCat("No unit reached the threshold at a moment when units of two arms ",
                            by_block ? "of its block " : "",
                            "were still under way and did not all reach it at once, so the "
                            "log-rank test",
                            by_block ? " by block" : "", " can't be had."));
  builder.Add(std::move(test), "nothing_to_rank");
  return absl::OkStatus();
}

// Each arm against the control, with Holm's correction.
absl::Status AddPairwise(const Question& question, const SurvivalRows& rows,
                         sdk::ResultBuilder& builder) {
  std::vector<PairedTest> tested;
  for (const int arm : question.treatments) {
    const SurvivalRows pair = rows.Pair(arm, question.control());
    auto status =
        AddLogRank(question, pair.view(), stats::Stratification::kNone, arm, nullptr, builder);
    if (!status.ok()) return status;
    status =
        AddLogRank(question, pair.view(), stats::Stratification::kByBlock, arm, &tested, builder);
    if (!status.ok()) return status;
  }
  std::vector<double> p_values;
  for (const PairedTest& test : tested) p_values.push_back(test.p_value);
  const auto adjusted = stats::HolmAdjusted(p_values);
  for (std::size_t i = 0; i < tested.size() && tested.size() > 1; ++i) {
    Test test = sdk::MakeTest(question, "log_rank_stratified_by_block", "chi_square_holm",
                              tested[i].arm, analysis::v1::STANDING_SECONDARY);
    test.set_p_value(adjusted[i]);
    builder.Add(std::move(test));
  }
  return absl::OkStatus();
}

absl::Status AddSignTest(const Question& question, int arm, const stats::FirstInBlock& counts,
                         sdk::ResultBuilder& builder) {
  auto sign = stats::TestSign(counts.arm_first, counts.against_first, question.level);
  if (!sign.ok()) return sign.status();
  Estimate estimate =
      sdk::MakeEstimate(question, "first_in_block", "sign_test", analysis::v1::STANDING_SECONDARY);
  estimate.set_arm(question.arm(arm).id);
  estimate.set_against(question.arm(question.control()).id);
  estimate.set_scale("linear");
  estimate.set_unit("1");
  estimate.set_units(question.layout.units[static_cast<std::size_t>(arm)] +
                     question.layout.units[static_cast<std::size_t>(question.control())]);
  estimate.set_blocks(counts.decided());
  estimate.set_events(counts.arm_first);
  if (!sign->has_value()) {
    builder.Warn("no_decided_blocks",
                 absl::StrCat("In no block is it known whether ", question.Quoted(arm), " or ",
                              question.Quoted(question.control()),
                              " was first, so there is no share of blocks."));
    builder.Add(std::move(estimate), "no_decided_blocks");
    return absl::OkStatus();
  }
  estimate.set_value((*sign)->share.share);
  estimate.set_lower((*sign)->share.limits.lower);
  estimate.set_upper((*sign)->share.limits.upper);
  builder.Add(std::move(estimate));
  Test test = sdk::MakeTest(question, "sign_test", "exact", arm, analysis::v1::STANDING_SECONDARY);
  test.set_statistic(static_cast<double>(counts.arm_first));
  test.set_p_value((*sign)->p_value);
  builder.Add(std::move(test));
  if (counts.decided() < 6) {
    builder.Warn("few_decided_blocks",
                 absl::StrCat("It is known which of ", question.Quoted(arm), " and ",
                              question.Quoted(question.control()), " was first in ",
                              sdk::Counted(counts.decided(), "block", "blocks"),
                              " only. With fewer than 6 the sign test can't come below 0.05, "
                              "whatever happened."));
  }
  return absl::OkStatus();
}

}  // namespace

bool SetFigures(const stats::ChiSquareTest& found, Test* test) {
  test->set_df(found.degrees_of_freedom);
  if (!found.p_value) return false;
  test->set_statistic(found.statistic);
  test->set_p_value(*found.p_value);
  return true;
}

absl::Status AddHazardRatios(const Question& question, const SurvivalRows& rows,
                             sdk::ResultBuilder& builder) {
  const stats::CoxOptions by_block = {.ties = ChooseTies(question, rows, builder),
                                      .strata = stats::Stratification::kByBlock,
                                      .cluster_robust = false,
                                      .confidence = question.level};
  if (auto status = AddFit(question, rows, by_block, builder); !status.ok()) return status;
  if (question.layout.blocks < 2) return absl::OkStatus();
  const stats::CoxOptions robust = {.ties = stats::Ties::kEfron,
                                    .strata = stats::Stratification::kNone,
                                    .cluster_robust = true,
                                    .confidence = question.level};
  return AddFit(question, rows, robust, builder);
}

absl::Status AddLogRankTests(const Question& question, const SurvivalRows& rows,
                             sdk::ResultBuilder& builder) {
  for (const auto strata : {stats::Stratification::kNone, stats::Stratification::kByBlock}) {
    auto status = AddLogRank(question, rows.view(), strata, -1, nullptr, builder);
    if (!status.ok()) return status;
  }
  if (question.treatments.size() < 2) return absl::OkStatus();
  return AddPairwise(question, rows, builder);
}

absl::Status AddFirstInBlock(const Question& question, const SurvivalRows& rows,
                             sdk::ResultBuilder& builder) {
  analysis::v1::Table table;
  table.set_id("first_in_block");
  table.set_title("Blocks by which arm reached the threshold first");
  for (const char* column : {"arm", "against", "arm first", "against first", "same day",
                             "not known", "unequal numbers of units"}) {
    table.add_columns(column);
  }
  for (const int arm : question.treatments) {
    auto counts = stats::CountFirstInBlock(rows.view(), arm, question.control());
    if (!counts.ok()) return counts.status();
    auto& row = *table.add_rows();
    *row.add_cells() = sdk::TextCell(question.arm(arm).id);
    *row.add_cells() = sdk::TextCell(question.arm(question.control()).id);
    for (const std::int64_t count : {counts->arm_first, counts->against_first, counts->tied,
                                     counts->unknown, counts->unequal}) {
      *row.add_cells() = sdk::CountCell(count);
    }
    if (auto status = AddSignTest(question, arm, *counts, builder); !status.ok()) return status;
  }
  builder.Add(std::move(table));
  return absl::OkStatus();
}

}  // namespace plumule::time_to_threshold
