#ifndef PLUMULE_PLUGINS_STATS_TURNBULL_H_
#define PLUMULE_PLUGINS_STATS_TURNBULL_H_

#include <cstdint>
#include <optional>
#include <vector>

#include "absl/status/statusor.h"
#include "plugins/stats/interval_times.h"

namespace plumule::stats {

// The share of units whose event falls into (lower, upper], or on the day `upper` where both are
// equal. Where within the interval is not determined by the data.
struct TurnbullMass {
  double lower = 0;
  double upper = 0;    // +infinity: later than anything observed, or never
  double mass = 0;     // above 0
  double reached = 0;  // share of all units up to and including this interval
};

enum class TurnbullStatus {
  kConverged,
  kNotConverged,  // masses are where the search stopped: don't state them
};

// Nonparametric maximum likelihood for one group over times between looks (Turnbull 1976, JRSS B
// 38:290): the masses of the innermost intervals that make the rows most likely. They are unique:
// shares of rows are, as the likelihood is concave in them, and in one dimension each innermost
// interval begins one row and ends another, so that all masses follow. No units: no masses.
//
// There are no standard errors or limits: the estimate at a day converges at the rate n^(1/3), or
// n^(1/2) where days of looks are few and shared, to a law that depends on how looks fell
// (Groeneboom & Wellner 1992, Information Bounds and Nonparametric Maximum Likelihood Estimation),
// and the plain bootstrap need not be consistent.
struct TurnbullCurve {
  TurnbullStatus status = TurnbullStatus::kConverged;
  std::vector<TurnbullMass> masses = {};  // ascend in time
  std::int64_t units = 0;
  double last_day = 0;        // latest finite day of any row
  double log_likelihood = 0;  // an exact time contributes the mass of its day
  int iterations = 0;
  double imbalance = 0;  // of the Fenchel conditions, at most 1e-10 if converged: MassMaximum
};

// One curve an arm, index = arm; blocks are ignored. A row with lower = 0 < upper has its event
// after day 0. INVALID_ARGUMENT as Validate() or for max_iterations below 1. Permuting rows changes
// no digit. O(n log n), and MaximizeMass() on the distinct rows.
absl::StatusOr<std::vector<TurnbullCurve>> TurnbullByArm(const IntervalTimes& data,
                                                         int max_iterations = 100);

// The share that has reached the event by a day: measure `reached_by`, method `turnbull`. Mass of
// an interval counts from its end on: the day by which it is sure to have been reached. So exact
// and right-censored times give the Kaplan–Meier estimate, and so do looks that divide time alike
// for all units, on the days of looks.
struct TurnbullShare {
  double day = 0;
  double share = 0;
  double at_most = 0;  // with the mass of an interval that the day falls into: lower < day < upper
  // True when `day` lies after `last_day` and there is mass later still; see ReachedShare.
  bool past_follow_up = false;
};

// INVALID_ARGUMENT for a day that is not finite; FAILED_PRECONDITION for a curve without units.
// O(masses).
absl::StatusOr<TurnbullShare> ReachedBy(const TurnbullCurve& curve, double day);

// The day by which a share of the units has reached the event, by the rules of DaysToQuantile() for
// a Kaplan–Meier curve, mass of an interval counting from its end on. Absent: never reached.
// INVALID_ARGUMENT for a share outside (0, 1); FAILED_PRECONDITION for a curve without units.
// O(masses).
absl::StatusOr<std::optional<double>> DaysToQuantile(const TurnbullCurve& curve, double share);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_TURNBULL_H_
