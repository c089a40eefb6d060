#include <algorithm>

#include "absl/strings/str_cat.h"
#include "plugins/stats/effect_size.h"
#include "plugins/stats/multiplicity.h"
#include "plugins/stats/proportion.h"
#include "plugins/success-share/parts.h"

namespace plumule::success_share {
namespace {

using analysis::v1::Estimate;
using analysis::v1::Standing;
using analysis::v1::Test;

// Units of two arms by outcome, whatever was made of the unknown ones.
stats::TwoProportions TableOf(const ArmCounts& arm, const ArmCounts& against) {
  return {.arm_successes = arm.successes,
          .arm_trials = arm.known(),
          .against_successes = against.successes,
          .against_trials = against.known()};
}

Estimate OfContrast(const Question& question, int arm, absl::string_view method,
                    Standing standing) {
  Estimate estimate = sdk::MakeEstimate(question, "success_share_difference", method, standing);
  estimate.set_arm(question.arm(arm).id);
  estimate.set_against(question.arm(question.control()).id);
  estimate.set_scale("linear");
  estimate.set_unit("1");
  if (question.by_day) estimate.set_at(*question.by_day);
  return estimate;
}

ShareDifference Record(const stats::ProportionDifference& found, Estimate estimate, int arm,
                       const std::string& label, sdk::ResultBuilder& builder) {
  ShareDifference difference;
  difference.arm = arm;
  difference.label = label;
  difference.value = found.difference;
  difference.lower = found.limits.lower;
  difference.upper = found.limits.upper;
  difference.blocks = estimate.blocks();
  estimate.set_value(found.difference);
  estimate.set_lower(found.limits.lower);
  estimate.set_upper(found.limits.upper);
  difference.id = builder.Add(std::move(estimate));
  return difference;
}

ShareDifference RecordAbsent(Estimate estimate, int arm, const std::string& label,
                             absl::string_view reason, sdk::ResultBuilder& builder) {
  ShareDifference difference;
  difference.arm = arm;
  difference.label = label;
  difference.id = builder.Add(std::move(estimate), reason);
  return difference;
}

// Unpaired; absent with a warning where an arm has no unit of known outcome.
absl::StatusOr<ShareDifference> Unpaired(const Question& question, const ArmCounts& counts,
                                         const ArmCounts& against, int arm, Estimate estimate,
                                         const std::string& label, sdk::ResultBuilder& builder) {
  estimate.set_units(counts.known() + against.known());
  estimate.set_events(counts.successes + against.successes);
  if (counts.known() == 0 || against.known() == 0) {
    builder.Warn(
        "no_known_outcomes",
        absl::StrCat("With ", question.Quoted(counts.known() == 0 ? arm : question.control()),
                     estimate.subgroup().empty() ? "" : " (", estimate.subgroup(),
                     estimate.subgroup().empty() ? "" : ")", " it is known of no ",
                     question.noun.singular, " whether it made it, so there is no comparison."));
    return RecordAbsent(std::move(estimate), arm, label, "no_known_outcomes", builder);
  }
  auto found = stats::NewcombeUnpaired(TableOf(counts, against), question.level);
  if (!found.ok()) return found.status();
  return Record(*found, std::move(estimate), arm, label, builder);
}

absl::StatusOr<ShareDifference> Paired(const Question& question, const PairLayout& layout, int arm,
                                       Estimate estimate, const std::string& label,
                                       sdk::ResultBuilder& builder) {
  estimate.set_units(2 * layout.complete);
  estimate.set_blocks(layout.complete);
  estimate.set_events(2 * layout.pairs.both + layout.pairs.arm_only + layout.pairs.against_only);
  auto found = stats::NewcombePaired(layout.pairs, question.level);
  if (!found.ok()) return found.status();
  ShareDifference difference = Record(*found, std::move(estimate), arm, label, builder);
  difference.paired = true;
  return difference;
}

// Units other than those of the primary difference.
struct DifferencePlan {
  std::string set;
  std::string subgroup;
  std::string label;  // in the figure
  Standing standing;
};

// By pairs where these units have them, otherwise unpaired.
absl::StatusOr<ShareDifference> CompareWithin(const Question& question,
                                              const sdk::ThresholdOutcome& outcome, int arm,
                                              const DifferencePlan& plan,
                                              sdk::ResultBuilder& builder) {
  const std::vector<Success> success = Judge(outcome, question.by_day);
  const std::vector<ArmCounts> counts = CountArms(outcome, success);
  const PairLayout layout = LayOutPairs(outcome, success, arm, question.control());
  Estimate estimate =
      OfContrast(question, arm, layout.is_paired ? "newcombe_paired" : "newcombe", plan.standing);
  estimate.set_analysis_set(plan.set);
  estimate.set_subgroup(plan.subgroup);
  estimate.set_blocks(layout.blocks);
  if (layout.is_paired) {
    return Paired(question, layout, arm, std::move(estimate), plan.label, builder);
  }
  return Unpaired(question, counts[static_cast<std::size_t>(arm)],
                  counts[static_cast<std::size_t>(question.control())], arm, std::move(estimate),
                  plan.label, builder);
}

void WarnOfLayout(const Question& question, const PairLayout& layout, int arm,
                  sdk::ResultBuilder& builder) {
  const std::string between =
      absl::StrCat(question.Quoted(arm), " and ", question.Quoted(question.control()));
  if (layout.most_in_block > 1) {
    builder.Warn("blocks_not_used",
                 absl::StrCat("Some blocks hold several ", question.noun.plural,
                              " of an arm, so the comparison of ", between,
                              " takes all of them as if they had grown apart. Where those of one "
                              "grower are alike the interval is too narrow, where both arms share "
                              "a grower's luck it is too wide."));
  } else if (layout.is_paired && layout.broken > 0) {
    builder.Warn("broken_pairs",
                 absl::StrCat(sdk::Counted(layout.broken, "block makes", "blocks make"),
                              " no pair of ", between,
                              " of which both outcomes are known; the paired comparison leaves "
                              "them out, the unpaired one beside it keeps the units that are "
                              "known."));
  } else if (!layout.is_paired) {
    builder.Warn("no_pairs", absl::StrCat("No block has ", between,
                                          " with both outcomes known, so they are compared as if "
                                          "they had grown apart."));
  }
}

// What becomes of the units of unknown outcome of the arm and of the control.
struct Bound {
  const char* set;
  const char* label;
  bool arm_succeeds;
  bool control_succeeds;
};

constexpr Bound kBounds[] = {
    {"lost_as_failures", "unknown ones as failures", false, false},
    {"lost_as_successes", "unknown ones as successes", true, true},
    {"lost_against_arm", "unknown ones all against the arm", false, true},
    {"lost_for_arm", "unknown ones all for the arm", true, false},
};

ArmCounts Settled(ArmCounts counts, bool as_successes) {
  (as_successes ? counts.successes : counts.failures) += counts.unknown;
  counts.unknown = 0;
  return counts;
}

void AddPairTable(const Question& question, sdk::ResultBuilder& builder) {
  analysis::v1::Table table;
  table.set_id("pairs");
  table.set_title("Pairs by which of the two made it");
  for (const char* column : {"arm", "against", "both", "arm only", "against only", "neither"}) {
    table.add_columns(column);
  }
  for (const int arm : question.treatments) {
    const PairLayout layout =
        LayOutPairs(question.analyzed, question.success, arm, question.control());
    if (!layout.is_paired) continue;
    auto& row = *table.add_rows();
    *row.add_cells() = sdk::TextCell(question.arm(arm).id);
    *row.add_cells() = sdk::TextCell(question.arm(question.control()).id);
    for (const std::int64_t count : {layout.pairs.both, layout.pairs.arm_only,
                                     layout.pairs.against_only, layout.pairs.neither}) {
      *row.add_cells() = sdk::CountCell(count);
    }
  }
  if (table.rows_size() > 0) builder.Add(std::move(table));
}

// The p-value on which Holm's correction works.
struct TestedArm {
  std::string name;
  int arm;
  double p_value;
};

void AddExact(const Question& question, absl::string_view name, absl::string_view method, int arm,
              double p_value, sdk::ResultBuilder& builder) {
  Test test = sdk::MakeTest(question, name, method, arm, analysis::v1::STANDING_SECONDARY);
  test.set_p_value(p_value);
  builder.Add(std::move(test));
}

absl::StatusOr<TestedArm> AddPairedTests(const Question& question, const PairLayout& layout,
                                         int arm, sdk::ResultBuilder& builder) {
  auto exact = stats::McNemarExact(layout.pairs);
  if (!exact.ok()) return exact.status();
  auto mid_p = stats::McNemarMidP(layout.pairs);
  if (!mid_p.ok()) return mid_p.status();
  auto asymptotic = stats::McNemar(layout.pairs, stats::Continuity::kNone);
  if (!asymptotic.ok()) return asymptotic.status();
  AddExact(question, "mcnemar_exact", "exact", arm, *exact, builder);
  AddExact(question, "mcnemar_mid_p", "mid_p", arm, *mid_p, builder);
  Test test = sdk::MakeTest(question, "mcnemar_asymptotic", "chi_square", arm,
                            analysis::v1::STANDING_SECONDARY);
  test.set_df(asymptotic->degrees_of_freedom);
  if (asymptotic->p_value) {
    test.set_statistic(asymptotic->statistic);
    test.set_p_value(*asymptotic->p_value);
  } else {
    builder.Warn("no_discordant_pairs",
                 absl::StrCat("In no pair did just one of ", question.Quoted(arm), " and ",
                              question.Quoted(question.control()),
                              " make it, so the tests for pairs have nothing to go by."));
  }
  builder.Add(std::move(test), "no_discordant_pairs");
  return TestedArm{"mcnemar_exact", arm, *exact};
}

absl::StatusOr<TestedArm> AddUnpairedTest(const Question& question, int arm,
                                          sdk::ResultBuilder& builder) {
  const ArmCounts& counts = question.counts[static_cast<std::size_t>(arm)];
  const ArmCounts& against = question.counts[static_cast<std::size_t>(question.control())];
  auto exact = stats::FisherExact(TableOf(counts, against));
  if (!exact.ok()) return exact.status();
  AddExact(question, "fisher_exact", "exact", arm, *exact, builder);
  return TestedArm{"fisher_exact", arm, *exact};
}

bool BothKnown(const Question& question, int arm) {
  return question.counts[static_cast<std::size_t>(arm)].known() > 0 &&
         question.counts[static_cast<std::size_t>(question.control())].known() > 0;
}

}  // namespace

absl::StatusOr<std::vector<std::string>> AddShares(const Question& question,
                                                   sdk::ResultBuilder& builder) {
  std::vector<std::string> ids(question.counts.size());
  for (std::size_t arm = 0; arm < question.counts.size(); ++arm) {
    const ArmCounts& counts = question.counts[arm];
    if (counts.known() == 0) continue;
    auto share = stats::Wilson(counts.successes, counts.known(), question.level);
    if (!share.ok()) return share.status();
    Estimate estimate =
        sdk::MakeEstimate(question, "success_share", "wilson", analysis::v1::STANDING_DESCRIPTIVE);
    estimate.set_arm(question.analyzed.arms[arm].id);
    estimate.set_scale("linear");
    estimate.set_unit("1");
    if (question.by_day) estimate.set_at(*question.by_day);
    estimate.set_units(counts.known());
    estimate.set_blocks(question.layout.by_arm[arm]);
    estimate.set_events(counts.successes);
    estimate.set_value(share->share);
    estimate.set_lower(share->limits.lower);
    estimate.set_upper(share->limits.upper);
    ids[arm] = builder.Add(std::move(estimate));
  }
  return ids;
}

absl::StatusOr<std::vector<ShareDifference>> CompareShares(const Question& question,
                                                           sdk::ResultBuilder& builder) {
  std::vector<ShareDifference> primary;
  std::vector<std::pair<int, PairLayout>> beside;
  const ArmCounts& against = question.counts[static_cast<std::size_t>(question.control())];
  const auto unpaired = [&](int arm, const PairLayout& layout, Standing standing) {
    Estimate estimate = OfContrast(question, arm, "newcombe", standing);
    estimate.set_blocks(layout.blocks);
    return Unpaired(question, question.counts[static_cast<std::size_t>(arm)], against, arm,
                    std::move(estimate), question.arm(arm).label, builder);
  };
  for (const int arm : question.treatments) {
    const PairLayout layout =
        LayOutPairs(question.analyzed, question.success, arm, question.control());
    WarnOfLayout(question, layout, arm, builder);
    auto difference =
        layout.is_paired
            ? Paired(question, layout, arm,
                     OfContrast(question, arm, "newcombe_paired", analysis::v1::STANDING_PRIMARY),
                     question.arm(arm).label, builder)
            : unpaired(arm, layout, analysis::v1::STANDING_PRIMARY);
    if (!difference.ok()) return difference.status();
    primary.push_back(*std::move(difference));
    if (layout.is_paired) beside.emplace_back(arm, layout);
  }
  for (const auto& [arm, layout] : beside) {
    auto difference = unpaired(arm, layout, analysis::v1::STANDING_SECONDARY);
    if (!difference.ok()) return difference.status();
  }
  AddPairTable(question, builder);
  return primary;
}

absl::StatusOr<std::vector<ShareDifference>> AddBounds(const Question& question,
                                                       sdk::ResultBuilder& builder) {
  std::vector<ShareDifference> bounds;
  const ArmCounts& control = question.counts[static_cast<std::size_t>(question.control())];
  for (const int arm : question.treatments) {
    const ArmCounts& counts = question.counts[static_cast<std::size_t>(arm)];
    if (counts.unknown + control.unknown == 0) continue;
    for (const Bound& bound : kBounds) {
      Estimate estimate = OfContrast(question, arm, "newcombe", analysis::v1::STANDING_SENSITIVITY);
      estimate.set_analysis_set(bound.set);
      auto difference = Unpaired(question, Settled(counts, bound.arm_succeeds),
                                 Settled(control, bound.control_succeeds), arm, std::move(estimate),
                                 absl::StrCat(question.arm(arm).label, ", ", bound.label), builder);
      if (!difference.ok()) return difference.status();
      bounds.push_back(*std::move(difference));
    }
  }
  return bounds;
}

absl::StatusOr<std::vector<ShareDifference>> AddSubgroups(const Question& question,
                                                          const sdk::AnalysisInput& input,
                                                          sdk::ResultBuilder& builder) {
  std::vector<ShareDifference> found;
  for (const std::string& variable : input.setup.analysis().subgroup_variables()) {
    auto levels = sdk::ReadSubgroups(question.analyzed, input.units, variable);
    if (!levels.ok()) return levels.status();
    for (const sdk::SubgroupLevel& level : *levels) {
      const sdk::ThresholdOutcome outcome = sdk::Subset(question.analyzed, level.keep);
      for (const int arm : question.treatments) {
        const DifferencePlan plan = {
            .set = question.set,
            .subgroup = level.name,
            .label = absl::StrCat(question.arm(arm).label, ", ", level.name),
            .standing = analysis::v1::STANDING_SECONDARY};
        auto difference = CompareWithin(question, outcome, arm, plan, builder);
        if (!difference.ok()) return difference.status();
        found.push_back(*std::move(difference));
      }
    }
  }
  return found;
}

absl::StatusOr<std::vector<ShareDifference>> AddOtherSet(const Question& question,
                                                         sdk::ResultBuilder& builder) {
  std::vector<ShareDifference> found;
  const auto& in_primary = question.all.in_primary;
  if (std::find(in_primary.begin(), in_primary.end(), 0) == in_primary.end()) return found;
  const bool followers = question.set == "followed_protocol";
  const sdk::ThresholdOutcome other =
      followers ? question.all : sdk::Subset(question.all, in_primary);
  const std::string label = followers ? "all started" : "protocol followed";
  for (const int arm : question.treatments) {
    const DifferencePlan plan = {.set = followers ? "all_started" : "followed_protocol",
                                 .subgroup = "",
                                 .label = absl::StrCat(question.arm(arm).label, ", ", label),
                                 .standing = analysis::v1::STANDING_SENSITIVITY};
    auto difference = CompareWithin(question, other, arm, plan, builder);
    if (!difference.ok()) return difference.status();
    found.push_back(*std::move(difference));
  }
  return found;
}

absl::Status AddTests(const Question& question, sdk::ResultBuilder& builder) {
  std::vector<TestedArm> tested;
  for (const int arm : question.treatments) {
    if (!BothKnown(question, arm)) continue;
    const PairLayout layout =
        LayOutPairs(question.analyzed, question.success, arm, question.control());
    auto test = layout.is_paired ? AddPairedTests(question, layout, arm, builder)
                                 : AddUnpairedTest(question, arm, builder);
    if (!test.ok()) return test.status();
    tested.push_back(*std::move(test));
  }
  if (tested.size() < 2) return absl::OkStatus();
  std::vector<double> p_values;
  for (const TestedArm& test : tested) p_values.push_back(test.p_value);
  const auto adjusted = stats::HolmAdjusted(p_values);
  for (std::size_t i = 0; i < tested.size(); ++i) {
    AddExact(question, tested[i].name, "exact_holm", tested[i].arm, adjusted[i], builder);
  }
  return absl::OkStatus();
}

absl::Status AddPoolable(const Question& question, sdk::ResultBuilder& builder) {
  using EffectOf = absl::StatusOr<stats::Effect> (*)(const stats::TwoProportions&);
  static constexpr std::pair<const char*, EffectOf> kMeasures[] = {
      {"log_risk_ratio", stats::LogRiskRatio},
      {"log_odds_ratio", stats::LogOddsRatio},
      {"risk_difference", stats::RiskDifference},
  };
  const ArmCounts& against = question.counts[static_cast<std::size_t>(question.control())];
  for (const int arm : question.treatments) {
    if (!BothKnown(question, arm)) continue;
    const stats::TwoProportions table =
        TableOf(question.counts[static_cast<std::size_t>(arm)], against);
    for (const auto& [measure, effect_of] : kMeasures) {
      auto found = effect_of(table);
      if (!found.ok()) return found.status();
      analysis::v1::PoolableEffect effect;
      effect.set_measure(measure);
      effect.set_method("independent_shares");
      effect.set_arm(question.arm(arm).id);
      effect.set_against(question.arm(question.control()).id);
      effect.set_value(found->estimate);
      effect.set_variance(found->variance);
      effect.set_units(table.arm_trials + table.against_trials);
      effect.set_blocks(question.layout.blocks);
      if (question.by_day) effect.set_at(*question.by_day);
      effect.mutable_counts()->set_events_treated(table.arm_successes);
      effect.mutable_counts()->set_n_treated(table.arm_trials);
      effect.mutable_counts()->set_events_control(table.against_successes);
      effect.mutable_counts()->set_n_control(table.against_trials);
      effect.set_unit("1");
      builder.Pool(std::move(effect));
    }
  }
  return absl::OkStatus();
}

}  // namespace plumule::success_share
