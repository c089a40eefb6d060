#include <algorithm>
#include <cmath>

#include "absl/strings/str_cat.h"
#include "plugins/stats/multiplicity.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

using analysis::v1::Estimate;

// Standard errors below this share of the horizon are rounding: nothing varied.
constexpr double kNoVariation = 1e-9;

Estimate OfContrast(const Question& question, const SurvivalRows& rows, const DifferencePlan& plan,
                    int arm, absl::string_view measure) {
  Estimate estimate = sdk::MakeEstimate(question, measure, plan.method, plan.standing);
  estimate.set_arm(question.arm(arm).id);
  estimate.set_against(question.arm(question.control()).id);
  estimate.set_subgroup(plan.subgroup);
  estimate.set_analysis_set(plan.set);
  estimate.set_at(question.horizon);
  estimate.set_units(rows.units(arm) + rows.units(question.control()));
  estimate.set_events(rows.events(arm) + rows.events(question.control()));
  return estimate;
}

std::string Where(const DifferencePlan& plan) {
  return plan.subgroup.empty() ? absl::StrCat("(", plan.set, ")")
                               : absl::StrCat("(", plan.set, ", ", plan.subgroup, ")");
}

// Why no difference can be had at all: warns and returns the reason, or "" where it can.
std::string Obstacle(const Question& question, const SurvivalRows& rows, const DifferencePlan& plan,
                     int arm, sdk::ResultBuilder& builder) {
  for (const int position : {arm, question.control()}) {
    if (rows.units(position) == 0) {
      builder.Warn("no_units_in_arm", absl::StrCat("There is no ", question.noun.singular, " with ",
                                                   question.Quoted(position), " ", Where(plan),
                                                   ", so that comparison is left out."));
      return "no_units_in_arm";
    }
    if (!rows.follows_past(position, question.horizon)) {
      builder.Warn(
          "follow_up_too_short",
          absl::StrCat("With ", question.Quoted(position), " ", Where(plan),
                       " nothing was observed as late as day ", sdk::Short(question.horizon, 2),
                       ", so that comparison is left out."));
      return "follow_up_too_short";
    }
  }
  return "";
}

// Why there is a difference but no interval.
std::string IntervalObstacle(const Question& question, const DifferencePlan& plan,
                             const stats::RestrictedMeanContrast& contrast,
                             sdk::ResultBuilder& builder) {
  if (plan.errors == stats::ErrorModel::kClusterRobust && contrast.blocks < 2) {
    builder.Warn("one_block", absl::StrCat("With a single block no interval that allows for blocks "
                                           "can be had ",
                                           Where(plan), "."));
    return "one_block";
  }
  if (contrast.difference_standard_error <= kNoVariation * question.horizon) {
    builder.Warn("no_variation",
                 absl::StrCat("All that was compared is alike ", Where(plan),
                              ", so nothing shows how sure the difference is: it has no "
                              "interval."));
    return "no_variation";
  }
  return "";
}

void AddRatio(const stats::RestrictedMeanContrast& contrast, bool with_interval, Estimate estimate,
              sdk::ResultBuilder& builder) {
  estimate.set_scale("log");
  estimate.set_unit("1");
  if (!contrast.ratio) {
    builder.Warn("mean_days_of_zero",
                 "All units of an arm reached the threshold on day 0, so means have no ratio.");
    builder.Add(std::move(estimate), "mean_days_of_zero");
    return;
  }
  estimate.set_value(contrast.ratio->value);
  if (with_interval) {
    estimate.set_standard_error(contrast.ratio->log_standard_error);
    estimate.set_lower(contrast.ratio->limits.lower);
    estimate.set_upper(contrast.ratio->limits.upper);
  }
  builder.Add(std::move(estimate));
}

// A ratio that is added to the result once all differences are, so that the primary ones stand
// first.
struct PendingRatio {
  stats::RestrictedMeanContrast contrast;
  bool with_interval;
  Estimate estimate;
};

absl::StatusOr<Difference> CompareMeansOf(const Question& question, const SurvivalRows& rows,
                                          const DifferencePlan& plan, int arm,
                                          std::vector<PendingRatio>& ratios,
                                          sdk::ResultBuilder& builder) {
  Difference difference;
  difference.arm = arm;
  difference.label = question.arm(arm).label;
  Estimate estimate = OfContrast(question, rows, plan, arm, "restricted_mean_difference");
  estimate.set_scale("linear");
  estimate.set_unit("d");
  if (const auto obstacle = Obstacle(question, rows, plan, arm, builder); !obstacle.empty()) {
    difference.id = builder.Add(std::move(estimate), obstacle);
    return difference;
  }
  auto contrast = stats::CompareRestrictedMeans(rows.view(), arm, question.control(),
                                                question.horizon, plan.errors, question.level);
  if (!contrast.ok()) return contrast.status();
  difference.blocks = contrast->blocks;
  estimate.set_blocks(contrast->blocks);
  difference.value = contrast->difference;
  estimate.set_value(contrast->difference);
  const bool with_interval = IntervalObstacle(question, plan, *contrast, builder).empty();
  if (with_interval) {
    difference.lower = contrast->difference_limits.lower;
    difference.upper = contrast->difference_limits.upper;
    difference.variance = contrast->difference_standard_error * contrast->difference_standard_error;
    difference.p_value = contrast->difference_p_value;
    estimate.set_standard_error(contrast->difference_standard_error);
    estimate.set_lower(contrast->difference_limits.lower);
    estimate.set_upper(contrast->difference_limits.upper);
  }
  difference.id = builder.Add(std::move(estimate));
  if (plan.with_ratio) {
    Estimate ratio = OfContrast(question, rows, plan, arm, "restricted_mean_ratio");
    ratio.set_standing(analysis::v1::STANDING_SECONDARY);
    ratio.set_blocks(contrast->blocks);
    ratios.push_back({*std::move(contrast), with_interval, std::move(ratio)});
  }
  return difference;
}

analysis::v1::Test OfDifference(const Question& question, const Difference& difference,
                                absl::string_view method, double p_value) {
  analysis::v1::Test test = sdk::MakeTest(question, "restricted_mean_difference", method,
                                          difference.arm, analysis::v1::STANDING_PRIMARY);
  test.set_p_value(p_value);
  return test;
}

void AddHolm(const Question& question, const std::vector<Difference>& primary,
             sdk::ResultBuilder& builder) {
  std::vector<double> p_values;
  std::vector<const Difference*> tested;
  for (const Difference& difference : primary) {
    if (!difference.p_value) continue;
    p_values.push_back(*difference.p_value);
    tested.push_back(&difference);
  }
  if (tested.size() < 2) return;
  const auto adjusted = stats::HolmAdjusted(p_values);
  for (std::size_t i = 0; i < tested.size(); ++i) {
    builder.Add(OfDifference(question, *tested[i], "normal_holm", adjusted[i]));
  }
}

void AddPoolable(const Question& question, const Difference& difference,
                 sdk::ResultBuilder& builder) {
  if (!difference.value || !difference.variance) return;
  const Estimate* estimate = builder.Find(difference.id);
  analysis::v1::PoolableEffect effect;
  effect.set_measure("restricted_mean_difference");
  effect.set_method(estimate->method());
  effect.set_arm(estimate->arm());
  effect.set_against(estimate->against());
  effect.set_value(*difference.value);
  effect.set_variance(*difference.variance);
  effect.set_units(estimate->units());
  effect.set_blocks(estimate->blocks());
  effect.set_at(question.horizon);
  effect.set_unit("d");
  builder.Pool(std::move(effect));
}

bool AnyOf(const sdk::ThresholdOutcome& outcome, sdk::UnitStatus status) {
  return std::find(outcome.status.begin(), outcome.status.end(), status) != outcome.status.end();
}

std::vector<std::uint8_t> Finishers(const sdk::ThresholdOutcome& outcome) {
  std::vector<std::uint8_t> keep(outcome.units());
  for (std::size_t unit = 0; unit < outcome.units(); ++unit) {
    keep[unit] = outcome.status[unit] == sdk::UnitStatus::kReached ? 1 : 0;
  }
  return keep;
}

// Units lost by accident as the worst for one side would have it: those of the unlucky never
// reach the threshold, those of the others did on the day they were lost.
sdk::ThresholdOutcome WorstCase(const Question& question, bool treatments_unlucky) {
  sdk::ThresholdOutcome outcome = question.analyzed;
  for (std::size_t unit = 0; unit < outcome.units(); ++unit) {
    if (outcome.status[unit] != sdk::UnitStatus::kLostIncidental) continue;
    const bool treated = outcome.arm[unit] != question.control();
    if (treated == treatments_unlucky) {
      outcome.status[unit] = sdk::UnitStatus::kNotReached;
      outcome.lower[unit] = std::max(outcome.lower[unit], question.horizon);
    } else {
      outcome.status[unit] = sdk::UnitStatus::kReached;
    }
    outcome.upper[unit] = outcome.lower[unit];
  }
  return outcome;
}

}  // namespace

absl::StatusOr<std::vector<Difference>> CompareMeans(const Question& question,
                                                     const SurvivalRows& rows,
                                                     const DifferencePlan& plan,
                                                     sdk::ResultBuilder& builder) {
  std::vector<Difference> differences;
  std::vector<PendingRatio> ratios;
  for (const int arm : question.treatments) {
    auto difference = CompareMeansOf(question, rows, plan, arm, ratios, builder);
    if (!difference.ok()) return difference.status();
    differences.push_back(*std::move(difference));
  }
  for (PendingRatio& ratio : ratios) {
    AddRatio(ratio.contrast, ratio.with_interval, std::move(ratio.estimate), builder);
  }
  return differences;
}

void AddDifferenceTests(const Question& question, const std::vector<Difference>& primary,
                        sdk::ResultBuilder& builder) {
  for (const Difference& difference : primary) {
    AddPoolable(question, difference, builder);
    if (!difference.p_value) continue;
    builder.Add(OfDifference(question, difference, "normal", *difference.p_value));
  }
  AddHolm(question, primary, builder);
}

absl::StatusOr<Sensitivity> AddSensitivity(const Question& question, sdk::ResultBuilder& builder) {
  Sensitivity sensitivity;
  const auto compare = [&](const SurvivalRows& rows, const std::string& set,
                           const std::string& method, const std::string& label) -> absl::Status {
    const DifferencePlan plan = {.method = method,
                                 .set = set,
                                 .subgroup = "",
                                 .errors = stats::ErrorModel::kClusterRobust,
                                 .standing = analysis::v1::STANDING_SENSITIVITY};
    auto differences = CompareMeans(question, rows, plan, builder);
    if (!differences.ok()) return differences.status();
    if (set == "finishers_only") sensitivity.finishers = *differences;
    for (Difference& difference : *differences) {
      absl::StrAppend(&difference.label, ", ", label);
      sensitivity.differences.push_back(std::move(difference));
    }
    return absl::OkStatus();
  };

  const sdk::ThresholdOutcome& analyzed = question.analyzed;
  if (AnyOf(analyzed, sdk::UnitStatus::kLostBiological)) {
    const SurvivalRows rows(analyzed, Timing::kFirstSeen, question.horizon);
    if (auto status =
            compare(rows, "biological_loss_as_never", "cluster_robust", "rotted ones as never");
        !status.ok()) {
      return status;
    }
  }
  if (AnyOf(analyzed, sdk::UnitStatus::kLostIncidental)) {
    for (const bool unlucky : {true, false}) {
      const SurvivalRows rows(WorstCase(question, unlucky), Timing::kFirstSeen);
      auto status =
          compare(rows, unlucky ? "losses_against_treatment" : "losses_for_treatment",
                  "cluster_robust", unlucky ? "losses at its worst" : "losses at its best");
      if (!status.ok()) return status;
    }
  }
  const auto departed =
      std::count(question.all.in_primary.begin(), question.all.in_primary.end(), std::uint8_t{0});
  if (departed > 0) {
    const bool followers = question.set == "followed_protocol";
    const SurvivalRows rows(
        followers ? question.all : sdk::Subset(question.all, question.all.in_primary),
        Timing::kFirstSeen);
    if (auto status = compare(rows, followers ? "all_started" : "followed_protocol",
                              "cluster_robust", followers ? "all started" : "protocol followed");
        !status.ok()) {
      return status;
    }
  }
  if (AnyBetweenLooks(analyzed)) {
    const SurvivalRows rows(analyzed, Timing::kMidpoint);
    if (auto status = compare(rows, question.set, "cluster_robust_midpoint", "between looks");
        !status.ok()) {
      return status;
    }
  }
  const auto finishers = Finishers(analyzed);
  const auto finished = std::count(finishers.begin(), finishers.end(), std::uint8_t{1});
  if (finished < static_cast<std::ptrdiff_t>(analyzed.units())) {
    const SurvivalRows rows(sdk::Subset(analyzed, finishers), Timing::kFirstSeen);
    if (auto status = compare(rows, "finishers_only", "cluster_robust", "finishers only");
        !status.ok()) {
      return status;
    }
  }
  return sensitivity;
}

}  // namespace plumule::time_to_threshold
