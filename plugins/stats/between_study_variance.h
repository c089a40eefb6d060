#ifndef PLUMULE_PLUGINS_STATS_BETWEEN_STUDY_VARIANCE_H_
#define PLUMULE_PLUGINS_STATS_BETWEEN_STUDY_VARIANCE_H_

#include <span>

#include "plugins/stats/effect_size.h"
#include "plugins/stats/pooled.h"

namespace plumule::stats {

// Weighted sums of studies at one value of τ², weights w = 1 / (variance + τ²). O(k).
struct WeightedStudies {
  double weight = 0;          // Σ w
  double weight_squared = 0;  // Σ w²
  double weight_cubed = 0;    // Σ w³
  double mean = 0;            // Σ w y / Σ w
  double q = 0;               // Σ w (y − mean)²
  double q_slope = 0;         // −dQ/dτ² = Σ w² (y − mean)²
  double q_curvature = 0;  // d²Q/dτ⁴ / 2 = Σ w³ (y − mean)² − (Σ w² (y − mean))² / Σ w
};
WeightedStudies WeighStudies(std::span<const Effect> studies, double tau_squared);

struct BetweenStudyVariance {
  double tau_squared = 0;
  bool converged = true;
  int iterations = 0;
};

// τ² by `method`, never below 0. Any k ≥ 1; one study gives 0.
BetweenStudyVariance EstimateTauSquared(std::span<const Effect> studies, TauSquaredMethod method);

// The τ² ≥ 0 at which Q(τ²) = target > 0, or 0 when Q(0) is no larger. Q falls and is convex, so
// Newton's method from the left never overshoots.
BetweenStudyVariance SolveQ(std::span<const Effect> studies, double target);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_BETWEEN_STUDY_VARIANCE_H_
