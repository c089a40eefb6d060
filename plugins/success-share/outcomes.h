#ifndef PLUMULE_PLUGINS_SUCCESS_SHARE_OUTCOMES_H_
#define PLUMULE_PLUGINS_SUCCESS_SHARE_OUTCOMES_H_

#include <cstdint>
#include <optional>
#include <vector>

#include "plugins/sdk/threshold_outcome.h"
#include "plugins/stats/paired_proportion.h"
#include "plugins/stats/proportion_difference.h"

namespace plumule::success_share {

// Whether a unit made it.
enum class Success : std::uint8_t { kNo, kYes, kUnknown };

// One entry a unit. By the close: reached is yes; not reached and lost biologically are no; lost by
// accident is unknown. By a day: yes if first seen to have reached it on or before that day; no if
// first seen after, known not to have on or after that day, or lost biologically; unknown if last
// seen before that day, whether lost by accident or still under way.
std::vector<Success> Judge(const sdk::ThresholdOutcome& outcome, std::optional<double> by_day);

// Units of one arm.
struct ArmCounts {
  std::int64_t successes = 0;
  std::int64_t failures = 0;
  std::int64_t unknown = 0;
  std::int64_t known() const { return successes + failures; }
};

// Index = arm.
std::vector<ArmCounts> CountArms(const sdk::ThresholdOutcome& outcome,
                                 const std::vector<Success>& success);

// Two arms' units by block.
struct PairLayout {
  // Every block with units of either arm has at most one unit of each, and some block has both: the
  // design is one of pairs.
  bool is_paired = false;
  stats::PairedCounts pairs;       // both outcomes known
  std::int64_t complete = 0;       // number of those
  std::int64_t broken = 0;         // blocks with a unit of either arm that make no complete pair
  std::int64_t blocks = 0;         // with a known outcome in either arm
  std::int64_t most_in_block = 0;  // units of one arm in one block
};

// O(units + blocks).
PairLayout LayOutPairs(const sdk::ThresholdOutcome& outcome, const std::vector<Success>& success,
                       int arm, int against);

}  // namespace plumule::success_share

#endif  // PLUMULE_PLUGINS_SUCCESS_SHARE_OUTCOMES_H_
