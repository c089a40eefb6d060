#ifndef PLUMULE_PLUGINS_STATS_INTERVAL_TIMES_H_
#define PLUMULE_PLUGINS_STATS_INTERVAL_TIMES_H_

#include <cstdint>
#include <span>

#include "absl/status/status.h"

namespace plumule::stats {

// Times of n units known only between looks, one row a unit, in any order; a view, as Survival is.
// The event of a row lies in (lower, upper]: not yet at `lower`, seen at `upper`.
//   lower = upper       it happened at that very time
//   lower = 0           it happened by `upper`
//   upper = +infinity   it was not seen: right-censored at `lower`
struct IntervalTimes {
  std::span<const double> lower = {};  // days; finite, not negative
  std::span<const double> upper = {};  // days, not before `lower`; or +infinity
  // Arm of each unit, 0 … arms − 1. An empty span puts every unit in arm 0.
  std::span<const std::int32_t> arm = {};
  // Block of each unit: any label. An empty span puts every unit in one block.
  std::span<const std::int32_t> block = {};
  // Number of arms; an arm without a single unit is allowed. At most kMaxArms.
  int arms = 1;

  std::int32_t ArmOf(std::size_t row) const { return arm.empty() ? 0 : arm[row]; }
  std::int32_t BlockOf(std::size_t row) const { return block.empty() ? 0 : block[row]; }
  std::size_t units() const { return lower.size(); }
};

// OK, or INVALID_ARGUMENT naming the array, the row and the value that break the rules above.
// No rows at all is valid. O(n).
absl::Status Validate(const IntervalTimes& data);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_INTERVAL_TIMES_H_
