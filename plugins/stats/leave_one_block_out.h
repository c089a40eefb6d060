#ifndef PLUMULE_PLUGINS_STATS_LEAVE_ONE_BLOCK_OUT_H_
#define PLUMULE_PLUGINS_STATS_LEAVE_ONE_BLOCK_OUT_H_

#include <cstdint>
#include <optional>

#include "absl/status/statusor.h"
#include "plugins/stats/survival.h"

namespace plumule::stats {

// The difference of restricted means when each block in turn is left out.
struct LeaveOneBlockOut {
  // Days, arm − against; absent when no block can be left out: without it an arm would have no
  // units, or would not be followed to tau while some are still under way.
  std::optional<double> lowest = std::nullopt;
  std::optional<double> highest = std::nullopt;
  std::int64_t blocks = 0;    // with a unit in either arm
  std::int64_t left_out = 0;  // of which each could be left out
  bool too_much_work =
      false;  // blocks × distinct days is above kMostLeaveOneOutSteps: nothing done
};

inline constexpr double kMostLeaveOneOutSteps = 2e8;

// Exact: product-limit curves are rebuilt without each block from the counts by day, of which a
// block changes a few (the jackknife of Quenouille 1949 without its bias correction; nothing is
// approximated). INVALID_ARGUMENT as CompareRestrictedMeans(); FAILED_PRECONDITION when either arm
// has no units. O(n log n + blocks · days), days = distinct times before tau.
absl::StatusOr<LeaveOneBlockOut> LeaveOutEachBlock(const Survival& data, int arm, int against,
                                                   double tau);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_LEAVE_ONE_BLOCK_OUT_H_
