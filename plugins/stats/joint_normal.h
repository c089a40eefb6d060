#ifndef PLUMULE_PLUGINS_STATS_JOINT_NORMAL_H_
#define PLUMULE_PLUGINS_STATS_JOINT_NORMAL_H_

#include <span>

#include "absl/status/statusor.h"

namespace plumule::stats {

inline constexpr int kMaxJointDimensions = 10;

struct JointProbability {
  double value = 0;
  // Estimated absolute error: of the quadrature, or three standard errors over the random shifts.
  double error = 0;
};

// P(|Z_j| ≤ half_width[j] for all j) of d = 1 … kMaxJointDimensions standard normal variables with
// `correlation` (d × d, row-major). Singular matrices are fine.
//
// Where the correlations are products l_i l_j (one or two variables always, Dunnett's designs,
// independence) the variables are independent given one more, over which Gauss–Kronrod quadrature
// runs (Dunnett & Sobel 1955, Biometrika 42:258): errors about 1e-13. Otherwise one variable after
// the other is conditioned on, the least likely first (Genz 1992, J Comput Graph Stat 1:141;
// Gibson, Glasbey & Elston 1994), at the points of rank-1 lattices, folded and shifted at random
// with a fixed seed (Genz & Bretz 2009, Computation of Multivariate Normal and t Probabilities,
// §4.2). Deterministic. Errors are about 1e-7 for three arms and 1e-5 to 1e-4 for eight whose
// matrix is nearly singular.
//
// INVALID_ARGUMENT for lengths that don't fit, a half-width that is not finite or negative, and a
// matrix that is not a correlation matrix to 1e-9. O(d²) for each of 8,168 points, and of 65,528
// more where the error would be above 1e-7.
absl::StatusOr<JointProbability> ProbabilityWithin(std::span<const double> half_width,
                                                   std::span<const double> correlation);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_JOINT_NORMAL_H_
