#include "plugins/sdk/study_design.h"

#include <algorithm>
#include <array>

#include "absl/strings/str_cat.h"
#include "plugins/sdk/judgement.h"
#include "plugins/sdk/words.h"

namespace plumule::sdk {
namespace {

using analysis::v1::FlowStep;

FlowStep Step(absl::string_view step, absl::string_view label, std::int64_t units,
              std::int64_t blocks) {
  FlowStep made;
  made.set_step(std::string(step));
  made.set_label(std::string(label));
  made.set_units(units);
  made.set_blocks(blocks);
  return made;
}

bool HasCounts(const plugin::v1::StudyCounts& counts) {
  return counts.growers_joined() > 0 || counts.blocks_started() > 0 || counts.units_started() > 0;
}

void AddEarlyFlow(const plugin::v1::StudyCounts& counts, ResultBuilder& builder) {
  if (!HasCounts(counts)) return;
  builder.Flow(
      Step("joined", "growers who joined (counted in growers)", counts.growers_joined(), 0));
  if (counts.growers_withdrawn() > 0) {
    builder.Flow(Step("withdrawn", "growers who took their records back (counted in growers)",
                      counts.growers_withdrawn(), 0));
  }
  builder.Flow(Step("started", "units started, before exclusions", counts.units_started(),
                    counts.blocks_started()));
  for (const auto& excluded : counts.excluded()) {
    FlowStep step = Step("excluded", "left out of the dataset", excluded.units(), 0);
    step.set_reason(excluded.reason());
    builder.Flow(std::move(step));
  }
  for (const auto& deviation : counts.deviations()) {
    FlowStep step = Step("deviated", "kept, but departed from a rule", deviation.units(), 0);
    step.set_reason(deviation.rule());
    builder.Flow(std::move(step));
  }
}

// Units of one arm with a status, and the blocks they are in.
struct Tally {
  std::int64_t units = 0;
  std::vector<std::int32_t> blocks;
  std::int64_t DistinctBlocks() {
    std::sort(blocks.begin(), blocks.end());
    return std::unique(blocks.begin(), blocks.end()) - blocks.begin();
  }
};

struct Ending {
  UnitStatus status;
  absl::string_view step;
  absl::string_view reason;
  absl::string_view label;
};

constexpr std::array<Ending, 4> kEndings = {{
    {UnitStatus::kReached, "reached", "", "reached the threshold"},
    {UnitStatus::kNotReached, "not_reached", "", "still under way when last looked at"},
    {UnitStatus::kLostBiological, "lost", "biological", "lost: rotted, dried out and the like"},
    {UnitStatus::kLostIncidental, "lost", "incidental", "lost by accident"},
}};

template <typename Keep>
Tally Count(const ThresholdOutcome& outcome, std::int32_t arm, const Keep& keep) {
  Tally tally;
  for (std::size_t unit = 0; unit < outcome.units(); ++unit) {
    if (outcome.arm[unit] != arm || !keep(unit)) continue;
    ++tally.units;
    tally.blocks.push_back(outcome.block[unit]);
  }
  return tally;
}

void AddArmStep(absl::string_view step, absl::string_view label, absl::string_view reason,
                const Arm& arm, Tally tally, ResultBuilder& builder) {
  FlowStep made =
      Step(step, absl::StrCat(arm.label, ": ", label), tally.units, tally.DistinctBlocks());
  made.set_arm(arm.id);
  made.set_reason(std::string(reason));
  builder.Flow(std::move(made));
}

void AddArmFlow(const ThresholdOutcome& all, const ThresholdOutcome& analyzed, std::int32_t arm,
                ResultBuilder& builder) {
  const Arm& named = all.arms[static_cast<std::size_t>(arm)];
  const auto every = [](std::size_t) { return true; };
  Tally without;
  without.blocks = all.left_out[static_cast<std::size_t>(arm)];
  without.units = static_cast<std::int64_t>(without.blocks.size());
  Tally started = Count(all, arm, every);
  Tally counted = Count(analyzed, arm, every);
  const bool narrowed = started.units > counted.units;
  started.units += without.units;
  started.blocks.insert(started.blocks.end(), without.blocks.begin(), without.blocks.end());
  AddArmStep("started", "units in the dataset", "", named, std::move(started), builder);
  if (without.units > 0) {
    AddArmStep("excluded", "the threshold was not asked of them", "no_outcome", named,
               std::move(without), builder);
  }
  if (narrowed) {
    AddArmStep("excluded", "did not follow the protocol", "did_not_follow_protocol", named,
               Count(all, arm, [&](std::size_t unit) { return all.in_primary[unit] == 0; }),
               builder);
  }
  for (const Ending& ending : kEndings) {
    Tally tally = Count(analyzed, arm,
                        [&](std::size_t unit) { return analyzed.status[unit] == ending.status; });
    AddArmStep(ending.step, ending.label, ending.reason, named, std::move(tally), builder);
  }
  AddArmStep("analyzed", "units analyzed", "", named, std::move(counted), builder);
}

void AddAllocationAssumption(const study::v1::Protocol& protocol, ResultBuilder& builder) {
  constexpr absl::string_view kWhat =
      "Which unit got which arm had nothing to do with how well the unit would do.";
  switch (protocol.allocation().method()) {
    case study::v1::ALLOCATION_METHOD_SERVER_ALLOCATES:
      builder.Assume(kWhat, "The server drew the order at random within each block.",
                     analysis::v1::VERDICT_HOLDS, "");
      return;
    case study::v1::ALLOCATION_METHOD_GROWER_CHOOSES:
      builder.Assume(kWhat, "Growers chose themselves; that can't be checked from the records.",
                     analysis::v1::VERDICT_DOUBTFUL,
                     "If growers gave the better unit to the arm they hoped for, the difference "
                     "shown is partly theirs.");
      return;
    default:
      builder.Assume(kWhat, "The protocol does not say who allocated the arms.",
                     analysis::v1::VERDICT_NOT_CHECKED,
                     "Read the difference as an association unless you know that the arms were "
                     "drawn at random.");
  }
}

void WarnOfFewBlocks(const BlockLayout& layout, ResultBuilder& builder) {
  if (layout.blocks == 1) {
    builder.Warn("one_block",
                 "All units are in one block, so nothing shows how much growers differ. Intervals "
                 "that allow for blocks can't be had; those that are given hold for this one block "
                 "alone. More growers are needed, not more units.");
  } else if (layout.blocks > 0 && layout.blocks < kComfortableBlocks) {
    builder.Warn("few_blocks",
                 absl::StrCat("There are ", layout.blocks,
                              " blocks. Intervals that allow for blocks are too narrow with few of "
                              "them; with fewer than ",
                              kFewestBlocks, " nothing is concluded, and ", kComfortableBlocks,
                              " or more are better."));
  }
}

}  // namespace

BlockLayout MeasureLayout(const ThresholdOutcome& outcome) {
  const std::size_t arms = outcome.arms.size();
  BlockLayout layout;
  layout.units.assign(arms, 0);
  layout.by_arm.assign(arms, 0);
  std::vector<std::int32_t> counts(outcome.block_names.size() * arms, 0);
  for (std::size_t unit = 0; unit < outcome.units(); ++unit) {
    const auto arm = static_cast<std::size_t>(outcome.arm[unit]);
    ++layout.units[arm];
    ++counts[static_cast<std::size_t>(outcome.block[unit]) * arms + arm];
  }
  for (std::size_t block = 0; block < outcome.block_names.size(); ++block) {
    bool any = false;
    bool every = true;
    bool single = true;
    for (std::size_t arm = 0; arm < arms; ++arm) {
      const std::int32_t count = counts[block * arms + arm];
      any = any || count > 0;
      if (count > 0) ++layout.by_arm[arm];
      if (layout.units[arm] == 0) continue;
      every = every && count > 0;
      single = single && count == 1;
    }
    if (!any) continue;
    ++layout.blocks;
    if (every) ++layout.with_every_arm;
    if (single) ++layout.single_units;
  }
  return layout;
}

void AddFlow(const plugin::v1::StudyCounts& counts, const ThresholdOutcome& all,
             const ThresholdOutcome& analyzed, ResultBuilder& builder) {
  AddEarlyFlow(counts, builder);
  for (std::size_t arm = 0; arm < all.arms.size(); ++arm) {
    AddArmFlow(all, analyzed, static_cast<std::int32_t>(arm), builder);
  }
}

void AddDesignAssumptions(const study::v1::Protocol& protocol, const BlockLayout& layout,
                          ResultBuilder& builder) {
  AddAllocationAssumption(protocol, builder);
  WarnOfFewBlocks(layout, builder);
  const bool complete = layout.with_every_arm == layout.blocks;
  builder.Assume(
      "Units of a block grew side by side, so that arms are compared like with like.",
      absl::StrCat(layout.with_every_arm, " of ", Counted(layout.blocks, "block", "blocks"),
                   " have units of every arm."),
      complete ? analysis::v1::VERDICT_HOLDS : analysis::v1::VERDICT_DOUBTFUL,
      complete ? ""
               : "Blocks that lack an arm add to the arms' own figures, but nothing to the "
                 "comparisons within blocks.");
  if (complete) return;
  builder.Warn("blocks_not_side_by_side",
               absl::StrCat(layout.blocks - layout.with_every_arm, " of ",
                            Counted(layout.blocks, "block lacks", "blocks lack"),
                            " units of some arm. Comparisons within blocks leave them out."));
}

void AddLossAssumption(const ThresholdOutcome& analyzed, absl::string_view consequence,
                       ResultBuilder& builder) {
  std::int64_t biological = 0;
  std::int64_t incidental = 0;
  for (const UnitStatus status : analyzed.status) {
    biological += status == UnitStatus::kLostBiological ? 1 : 0;
    incidental += status == UnitStatus::kLostIncidental ? 1 : 0;
  }
  const bool none = biological + incidental == 0;
  builder.Assume(
      "Units lost on the way would have fared like those still under way that day.",
      none ? std::string("No unit was lost.")
           : absl::StrCat(biological, " were lost to rot, drying and the like, ", incidental,
                          " by accident; what they would have done can't be "
                          "known."),
      none             ? analysis::v1::VERDICT_HOLDS
      : biological > 0 ? analysis::v1::VERDICT_DOUBTFUL
                       : analysis::v1::VERDICT_NOT_CHECKED,
      none ? "" : consequence);
}

std::string MultiplicityWords(int comparisons) {
  return absl::StrCat("Holm's method over ", comparisons, " comparisons with the control.");
}

}  // namespace plumule::sdk
