#ifndef PLUMULE_PLUGINS_STATS_HOMOGENEITY_H_
#define PLUMULE_PLUGINS_STATS_HOMOGENEITY_H_

#include <span>

#include "absl/status/statusor.h"
#include "plugins/stats/chi_square_test.h"

namespace plumule::stats {

// Are k jointly normal effects, with `covariance` (k × k, row-major), all the same? Wald's test of
// the k − 1 differences from the first: (C e)ᵀ (C V Cᵀ)⁻¹ (C e), chi-square on the rank of C V Cᵀ.
// Test `interaction` of subgroups; with independent effects it is Cochran's Q. The order of the
// effects changes nothing but rounding. A covariance of differences that is 0 to rounding gives 0
// degrees of freedom and no p-value.
//
// INVALID_ARGUMENT for fewer than two effects, lengths that don't fit, values that are not finite
// or a covariance that is not symmetric to 1e-9. O(k³).
absl::StatusOr<ChiSquareTest> TestHomogeneity(std::span<const double> effects,
                                              std::span<const double> covariance);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_HOMOGENEITY_H_
