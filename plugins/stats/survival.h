#ifndef PLUMULE_PLUGINS_STATS_SURVIVAL_H_
#define PLUMULE_PLUGINS_STATS_SURVIVAL_H_

#include <cstdint>
#include <span>

#include "absl/status/status.h"

namespace plumule::stats {

// Exact and right-censored times of n units, one row a unit, in any order. A view: the caller keeps
// the arrays alive for the length of a call; nothing here is kept or changed, so any number of
// threads may share one.
//
// Conventions, the same in every function of this library:
//  * two times are tied when they are equal doubles (use whole days, or one expression for all);
//  * a unit censored at t is known not to have reached the event at t: it is at risk at t;
//  * permuting rows, or renaming blocks, changes no digit of any result.
struct Survival {
  // Days from the start to the event or to the last day known without it; finite, not negative.
  std::span<const double> time = {};
  // 1 where the event happened at `time`, 0 where the unit was censored then.
  std::span<const std::uint8_t> event = {};
  // Arm of each unit, 0 … arms − 1. An empty span puts every unit in arm 0.
  std::span<const std::int32_t> arm = {};
  // Block of each unit: any label. An empty span puts every unit in one block.
  std::span<const std::int32_t> block = {};
  // Number of arms; an arm without a single unit is allowed. At most kMaxArms.
  int arms = 1;

  std::int32_t ArmOf(std::size_t row) const { return arm.empty() ? 0 : arm[row]; }
  std::int32_t BlockOf(std::size_t row) const { return block.empty() ? 0 : block[row]; }
  std::size_t units() const { return time.size(); }
};

// Work and memory grow with the square of the number of arms, hence a limit.
inline constexpr int kMaxArms = 64;

// OK, or INVALID_ARGUMENT naming the array, the row and the value that break the rules above.
// No rows at all is valid. O(n).
absl::Status Validate(const Survival& data);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_SURVIVAL_H_
