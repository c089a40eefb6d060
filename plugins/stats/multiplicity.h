#ifndef PLUMULE_PLUGINS_STATS_MULTIPLICITY_H_
#define PLUMULE_PLUGINS_STATS_MULTIPLICITY_H_

#include <span>
#include <vector>

#include "absl/status/statusor.h"

namespace plumule::stats {

// Several comparisons at once. P-values are numbers from 0 to 1; results stand in the order given.

// Holm's step-down p-values (Holm 1979, Scand J Stat 6:65): sorted ascending, the running maximum
// of (m − i) p_i, at most 1. O(m log m).
std::vector<double> HolmAdjusted(std::span<const double> p_values);

// Step-up p-values for the false discovery rate (Benjamini & Hochberg 1995, JRSS B 57:289): from
// the largest down, the running minimum of m p_i / (i + 1). O(m log m).
std::vector<double> BenjaminiHochbergAdjusted(std::span<const double> p_values);

// Comparisons that are jointly normal, all at one critical value (Dunnett 1955, JASA 50:1096, in
// the general form of Hothorn, Bretz & Westfall 2008, Biom J 50:346).
struct SingleStep {
  // P(max_j |Z_j| ≥ |z_i|), kept between the single p-value and Šidák's, which hold it for any
  // correlations (Šidák 1967, JASA 62:626): so far out in the tails, where the probability is
  // known to its absolute error only, it stays of the right size.
  std::vector<double> p_value;
  double critical = 0;  // c with P(max_j |Z_j| ≤ c) = confidence; limits are estimate ± c · error
  double error = 0;     // largest estimated absolute error of the probabilities behind p_value
};

// `z` are estimates ÷ standard errors, 1 to kMaxJointDimensions of them, with `correlation` as
// ProbabilityWithin() takes it; INVALID_ARGUMENT as there and for a confidence outside (0, 1).
// About ten probabilities beside one for each of z.
absl::StatusOr<SingleStep> AdjustSingleStep(std::span<const double> z,
                                            std::span<const double> correlation,
                                            double confidence = 0.95);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_MULTIPLICITY_H_
