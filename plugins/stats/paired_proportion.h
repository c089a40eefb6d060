#ifndef PLUMULE_PLUGINS_STATS_PAIRED_PROPORTION_H_
#define PLUMULE_PLUGINS_STATS_PAIRED_PROPORTION_H_

#include <cstdint>

#include "absl/status/statusor.h"
#include "plugins/stats/chi_square_test.h"
#include "plugins/stats/proportion_difference.h"

namespace plumule::stats {

// Pairs (one unit of each arm in a block) by who succeeded.
struct PairedCounts {
  std::int64_t both = 0;
  std::int64_t arm_only = 0;
  std::int64_t against_only = 0;
  std::int64_t neither = 0;
};

// Every function: INVALID_ARGUMENT when a count is negative or there is no pair at all.

// Difference of paired shares from their Wilson limits and the correlation φ of the pair, with
// Newcombe's reduced φ (numerator max(ad − bc − n/2, 0) where ad > bc) and φ = 0 when a margin is 0
// (Newcombe 1998, Stat Med 17:2635, method 10). Confidence in (0, 1). O(1). Method
// `newcombe_paired`.
absl::StatusOr<ProportionDifference> NewcombePaired(const PairedCounts& pairs,
                                                    double confidence = 0.95);

enum class Continuity { kNone, kCorrected };

// Each looks at the discordant pairs only. With none, there is nothing to test: 0 degrees of
// freedom without p-value, and exact p-values of 1.

// (b − c)² / (b + c); kCorrected: (max(|b − c| − 1, 0))² / (b + c), Edwards 1948 (as mcnemar.test
// in R). McNemar 1947, Psychometrika 12:153. O(1). Tests `mcnemar`, `mcnemar_corrected`.
absl::StatusOr<ChiSquareTest> McNemar(const PairedCounts& pairs, Continuity continuity);

// Two-sided binomial of b in b + c at one half. Test `mcnemar_exact`.
absl::StatusOr<double> McNemarExact(const PairedCounts& pairs);

// Probability of more extreme splits plus half that of equally extreme ones (Lancaster 1961, JASA
// 56:223; Fagerland, Lydersen & Laake 2013, BMC Med Res Methodol 13:91): the exact p-value minus
// P(b), or 1 − P(b)/2 where b = c. Test `mcnemar_mid_p`.
absl::StatusOr<double> McNemarMidP(const PairedCounts& pairs);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_PAIRED_PROPORTION_H_
