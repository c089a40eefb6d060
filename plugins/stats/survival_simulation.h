#ifndef PLUMULE_PLUGINS_STATS_SURVIVAL_SIMULATION_H_
#define PLUMULE_PLUGINS_STATS_SURVIVAL_SIMULATION_H_

#include <cstdint>
#include <functional>
#include <optional>

#include "absl/status/statusor.h"
#include "plugins/stats/survival_plan.h"

namespace plumule::stats {

inline constexpr int kMostSimulatedBlocks = 1'000'000;
inline constexpr int kMostReplicates = 1'000'000;

struct SimulationOptions {
  int blocks = 0;         // started; 1 … kMostSimulatedBlocks
  int replicates = 1000;  // studies simulated; 1 … kMostReplicates
  std::uint64_t seed = 0;
  double alpha = 0.05;  // two-sided; intervals have confidence 1 − alpha
  int threads = 2;      // 1 or 2; changes no digit
  // Called after each replicate with how many are done, one call at a time, from any of the
  // threads. False stops the simulation.
  std::function<bool(int done)> go_on = {};
};

// How an analysis fared over the replicates. A replicate without an answer (nothing to compare, or
// a standard error of 0) counts as not significant and is left out of the other figures.
struct SimulatedTest {
  double power = 0;        // share of replicates with a p-value below alpha
  double power_error = 0;  // Monte Carlo standard error: √(power (1 − power) / replicates)
  double no_answer = 0;    // share of replicates
  // Absent when no replicate has an answer. Estimates and widths as in IntervalWidthWith().
  std::optional<double> mean_estimate = std::nullopt;
  std::optional<double> mean_estimate_error = std::nullopt;  // Monte Carlo; absent for one answer
  std::optional<double> mean_width = std::nullopt;
};

struct Simulation {
  SimulatedTest restricted_mean = {};  // difference treatment − control, days
  SimulatedTest log_rank = {};         // one-step log hazard ratio
  // Share of intervals of the restricted-mean difference that hold its true value, and that value:
  // the difference of restricted means of the days on which crossings are *seen*, over all blocks
  // (ExpectedDesign::difference, exact). What looks lag behind growth is no error of the estimator;
  // it can only know seen days, and the lag is much the same in both arms.
  double true_difference = 0;
  std::optional<double> coverage = std::nullopt;
};

// Draws studies as `design` says and analyzes each as it will be: CompareRestrictedMeans() with
// ErrorModel::kClusterRobust, and TestLogRank() by block. Units of blocks that fall out are
// censored on day 0.
//
// Replicate i draws from its own std::mt19937_64, seeded with std::seed_seq of the low and high
// halves of the seed, and i; variates are Boost.Random's. So digits depend on design, blocks, alpha
// and seed alone, and the first replicates of a longer run are those of a shorter one.
//
// INVALID_ARGUMENT as Validate() and for options out of range; CANCELLED when go_on says false.
// O(replicates · n log n) for n = 2 · blocks · units_per_arm units; memory O(n + replicates).
absl::StatusOr<Simulation> Simulate(const SurvivalDesign& design, const SimulationOptions& options);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_SURVIVAL_SIMULATION_H_
