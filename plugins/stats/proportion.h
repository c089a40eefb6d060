#ifndef PLUMULE_PLUGINS_STATS_PROPORTION_H_
#define PLUMULE_PLUGINS_STATS_PROPORTION_H_

#include <cstdint>

#include "absl/status/statusor.h"
#include "plugins/stats/interval.h"

namespace plumule::stats {

// A share of successes with two-sided limits, all in [0, 1].
struct Proportion {
  std::int64_t successes = 0;
  std::int64_t trials = 0;
  double share = 0;
  Interval limits = {};
};

// Both: INVALID_ARGUMENT unless 0 ≤ successes ≤ trials, trials ≥ 1 and confidence in (0, 1). O(1).

// Score interval without continuity correction (Wilson 1927, JASA 22:209). Method `wilson`.
absl::StatusOr<Proportion> Wilson(std::int64_t successes, std::int64_t trials,
                                  double confidence = 0.95);

// Exact interval from binomial tails (Clopper & Pearson 1934, Biometrika 26:404): coverage is never
// below `confidence`. No success gives lower 0, all successes give upper 1. `clopper_pearson`.
absl::StatusOr<Proportion> ClopperPearson(std::int64_t successes, std::int64_t trials,
                                          double confidence = 0.95);

// Two-sided exact binomial p-value for a true share `null_share` in (0, 1): the probability of all
// counts no likelier than the one seen, equal ones included to a relative 1e-7 (as binom.test in
// R). INVALID_ARGUMENT as above. O(trials) at worst, O(log trials) tail sums.
absl::StatusOr<double> BinomialTest(std::int64_t successes, std::int64_t trials,
                                    double null_share = 0.5);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_PROPORTION_H_
