#ifndef PLUMULE_PLUGINS_STATS_BLOCK_LOG_RANK_H_
#define PLUMULE_PLUGINS_STATS_BLOCK_LOG_RANK_H_

#include <span>

namespace plumule::stats {

// Moments of what one block adds to the log-rank test by block.
struct BlockLogRank {
  double mean = 0;           // of observed − expected events of arm 1
  double second_moment = 0;  // of the same
  double information = 0;    // mean of its hypergeometric variance
};

// What can happen to a unit, or to a block, from look to look. Index 0 is the first look.
struct LookChances {
  std::span<const double> reached[2];  // by arm: seen across at this look, if still at risk
  std::span<const double> open;        // the block is still open, if it was at the look before
  double kept = 1;                     // a unit is not lost between a look and the next
};

// A block of `units` units in each of two arms, independent of each other given the chances.
// Backward over looks, by the number at risk in each arm. O(looks · units³).
BlockLogRank ExpectBlockLogRank(int units, const LookChances& chances);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_BLOCK_LOG_RANK_H_
