#ifndef PLUMULE_PLUGINS_STATS_MASS_LIKELIHOOD_H_
#define PLUMULE_PLUGINS_STATS_MASS_LIKELIHOOD_H_

#include <vector>

#include "plugins/stats/innermost_intervals.h"

namespace plumule::stats {

// The share of mass F up to and including each of m cells that maximizes Σ count · log(F[last] −
// F[before]) / Σ count over the spans.
struct MassMaximum {
  std::vector<double> reached = {};  // m + 1 numbers, ascending from 0 to exactly 1
  double log_likelihood = 0;         // not divided by the number of units
  int iterations = 0;
  // How far the Karush–Kuhn–Tucker (Fenchel) conditions are from holding. With d_j the mean over
  // units of [cell j in the unit's span] / P(span), the greatest of d_j − 1 over all cells and of
  // |d_j − 1| over those with mass. The log-likelihood lacks at most this times the number of
  // units.
  double imbalance = 0;
};

// Converged when the imbalance is no more than this.
inline constexpr double kMassTolerance = 1e-10;

// Each iteration is ten steps of the hybrid of expectation–maximization and iterative convex
// minorants (Wellner & Zhan 1997, JASA 92:945), which converges from anywhere and finds the cells
// without mass, then up to ten of Newton's method on the cells that have some, which gives the last
// digits, as the likelihood is concave in F. No step lowers the likelihood but by rounding. O(cells
// + spans) a step, and a sparse factorization, of the cells with mass, a Newton step. Rounding of F
// costs the imbalance about 1e-16 times the number of units.
MassMaximum MaximizeMass(const InnermostIntervals& data, int max_iterations);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_MASS_LIKELIHOOD_H_
