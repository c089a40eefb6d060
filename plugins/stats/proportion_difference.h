#ifndef PLUMULE_PLUGINS_STATS_PROPORTION_DIFFERENCE_H_
#define PLUMULE_PLUGINS_STATS_PROPORTION_DIFFERENCE_H_

#include <cstdint>

#include "absl/status/statusor.h"
#include "plugins/stats/interval.h"

namespace plumule::stats {

// Successes and trials of two independent groups.
struct TwoProportions {
  std::int64_t arm_successes = 0;
  std::int64_t arm_trials = 0;
  std::int64_t against_successes = 0;
  std::int64_t against_trials = 0;
};

struct ProportionDifference {
  double difference = 0;  // share of `arm` − share of `against`, in [−1, 1]
  Interval limits = {};
};

// Both: INVALID_ARGUMENT unless 0 ≤ successes ≤ trials and trials ≥ 1 in each group.

// Difference of two independent shares from their Wilson limits (Newcombe 1998, Stat Med 17:873,
// method 10, no continuity correction). Confidence in (0, 1). O(1). Method `newcombe`.
absl::StatusOr<ProportionDifference> NewcombeUnpaired(const TwoProportions& table,
                                                      double confidence = 0.95);

// Fisher's exact test of equal shares, two-sided: the probability, with both margins held, of all
// tables no likelier than the one seen, equal ones included to a relative 1e-7 (as fisher.test in
// R). A table with one possible arrangement gives 1. O(smaller margin). Test `fisher_exact`.
absl::StatusOr<double> FisherExact(const TwoProportions& table);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_PROPORTION_DIFFERENCE_H_
