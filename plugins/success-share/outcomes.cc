#include "plugins/success-share/outcomes.h"

#include <algorithm>
#include <array>

namespace plumule::success_share {
namespace {

Success JudgeUnit(const sdk::ThresholdOutcome& outcome, std::size_t unit,
                  std::optional<double> by_day) {
  switch (outcome.status[unit]) {
    case sdk::UnitStatus::kReached:
      return !by_day || outcome.upper[unit] <= *by_day ? Success::kYes : Success::kNo;
    case sdk::UnitStatus::kLostBiological:
      return Success::kNo;
    case sdk::UnitStatus::kNotReached:
      return !by_day || outcome.lower[unit] >= *by_day ? Success::kNo : Success::kUnknown;
    case sdk::UnitStatus::kLostIncidental:
      return by_day && outcome.lower[unit] >= *by_day ? Success::kNo : Success::kUnknown;
  }
  return Success::kUnknown;
}

// Units of the two arms in one block.
struct BlockUnits {
  std::array<std::int64_t, 2> units = {0, 0};
  std::array<Success, 2> success = {Success::kUnknown, Success::kUnknown};
  bool any_known = false;
};

void AddBlock(const BlockUnits& block, PairLayout& layout) {
  if (block.units[0] + block.units[1] == 0) return;
  if (block.any_known) ++layout.blocks;
  layout.most_in_block = std::max({layout.most_in_block, block.units[0], block.units[1]});
  const auto [arm, against] = block.success;
  const bool complete = block.units[0] == 1 && block.units[1] == 1 && arm != Success::kUnknown &&
                        against != Success::kUnknown;
  if (!complete) {
    ++layout.broken;
    return;
  }
  ++layout.complete;
  const bool arm_made_it = arm == Success::kYes;
  const bool against_made_it = against == Success::kYes;
  if (arm_made_it && against_made_it) ++layout.pairs.both;
  if (arm_made_it && !against_made_it) ++layout.pairs.arm_only;
  if (!arm_made_it && against_made_it) ++layout.pairs.against_only;
  if (!arm_made_it && !against_made_it) ++layout.pairs.neither;
}

}  // namespace

std::vector<Success> Judge(const sdk::ThresholdOutcome& outcome, std::optional<double> by_day) {
  std::vector<Success> success(outcome.units());
  for (std::size_t unit = 0; unit < outcome.units(); ++unit) {
    success[unit] = JudgeUnit(outcome, unit, by_day);
  }
  return success;
}

std::vector<ArmCounts> CountArms(const sdk::ThresholdOutcome& outcome,
                                 const std::vector<Success>& success) {
  std::vector<ArmCounts> counts(outcome.arms.size());
  for (std::size_t unit = 0; unit < outcome.units(); ++unit) {
    ArmCounts& arm = counts[static_cast<std::size_t>(outcome.arm[unit])];
    arm.successes += success[unit] == Success::kYes ? 1 : 0;
    arm.failures += success[unit] == Success::kNo ? 1 : 0;
    arm.unknown += success[unit] == Success::kUnknown ? 1 : 0;
  }
  return counts;
}

PairLayout LayOutPairs(const sdk::ThresholdOutcome& outcome, const std::vector<Success>& success,
                       int arm, int against) {
  std::vector<BlockUnits> blocks(outcome.block_names.size());
  for (std::size_t unit = 0; unit < outcome.units(); ++unit) {
    if (outcome.arm[unit] != arm && outcome.arm[unit] != against) continue;
    BlockUnits& block = blocks[static_cast<std::size_t>(outcome.block[unit])];
    const std::size_t side = outcome.arm[unit] == arm ? 0 : 1;
    ++block.units[side];
    block.success[side] = success[unit];
    block.any_known = block.any_known || success[unit] != Success::kUnknown;
  }
  PairLayout layout;
  for (const BlockUnits& block : blocks) AddBlock(block, layout);
  layout.is_paired = layout.most_in_block <= 1 && layout.complete > 0;
  return layout;
}

}  // namespace plumule::success_share
