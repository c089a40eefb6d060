#ifndef PLUMULE_PLUGINS_STATS_FIRST_IN_BLOCK_H_
#define PLUMULE_PLUGINS_STATS_FIRST_IN_BLOCK_H_

#include <cstdint>
#include <optional>

#include "absl/status/statusor.h"
#include "plugins/stats/proportion.h"
#include "plugins/stats/survival.h"

namespace plumule::stats {

// Blocks by which of two arms reached the event first. The counts add up to the blocks with a unit
// in either arm.
struct FirstInBlock {
  std::int64_t arm_first = 0;
  std::int64_t against_first = 0;
  std::int64_t tied = 0;     // both arms' first events on the same day
  std::int64_t unknown = 0;  // censoring hides who was first
  std::int64_t unequal = 0;  // the arms have different numbers of units, or one has none

  std::int64_t decided() const { return arm_first + against_first; }
};

// An arm is first in a block when its earliest event comes strictly before every event of the other
// arm and not after any censoring of the other arm (a unit censored on the day of that event is
// known not to have reached it by then, as in the risk sets of log-rank and Cox). Everything else
// is not decided. Blocks in which the arms have unequal numbers of units are set aside: the more
// numerous arm would be first more often by chance, so one half would not be the null share.
//
// INVALID_ARGUMENT as Validate(), or for arms outside 0 … arms − 1 or equal. O(n log n).
absl::StatusOr<FirstInBlock> CountFirstInBlock(const Survival& data, int arm, int against);

// Measure `first_in_block`, method `sign_test`: share of decided blocks in which the arm was first
// with Clopper–Pearson limits, and the two-sided exact binomial p-value against one half.
struct SignTest {
  Proportion share = {};
  double p_value = 1;
};

// No decided block is an answer, not an error: absent. INVALID_ARGUMENT for negative counts or a
// confidence outside (0, 1). O(1) apart from BinomialTest().
absl::StatusOr<std::optional<SignTest>> TestSign(std::int64_t arm_first, std::int64_t against_first,
                                                 double confidence = 0.95);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_FIRST_IN_BLOCK_H_
