#ifndef PLUMULE_PLUGINS_STATS_ACCELERATED_FAILURE_H_
#define PLUMULE_PLUGINS_STATS_ACCELERATED_FAILURE_H_

#include <cstdint>
#include <optional>
#include <vector>

#include "absl/status/statusor.h"
#include "plugins/stats/coefficient_state.h"
#include "plugins/stats/interval.h"
#include "plugins/stats/interval_times.h"
#include "plugins/stats/time_model.h"

namespace plumule::stats {

// Accelerated failure time: log T = μ + β_a + σ ε, so that units of arm a take exp(β_a) times as
// long as those of `against`: below 1 is sooner. Measure `time_ratio`, methods `aft_weibull`,
// `aft_lognormal`, `aft_loglogistic`. Kalbfleisch & Prentice 2002, §2.3 and §3.

enum class AcceleratedFailureStatus {
  kConverged,      // see `state` for the arms without a finite coefficient
  kNothingToFit,   // no arm has units both with and without the event, or with it between two days
  kNoSpread,       // all times of each arm may be the same: the likelihood rises as σ falls to 0
  kEndlessSpread,  // only before-or-after looks, and they fit best with σ infinite
  kNotConverged,
};

struct AcceleratedFailureOptions {
  TimeModel model = TimeModel::kWeibull;
  double confidence = 0.95;
  // An event at exactly day 0 has no logarithm: it is taken to lie in (0, day_zero_ends].
  double day_zero_ends = 0.5;
  int max_iterations = 100;
};

// Index of every vector = arm. Numbers mean nothing unless kConverged, nor in entries that are not
// kFinite. kPlusInfinity: the arm's units were never seen to have the event, or those compared
// against always had it before the first look.
struct AcceleratedFailureFit {
  AcceleratedFailureStatus status = AcceleratedFailureStatus::kNothingToFit;
  int against = 0;
  std::vector<CoefficientState> state = {};
  std::vector<double> coefficient = {};  // β, log time ratio
  std::vector<double> location = {};     // μ + β, log days; of arms with a finite one, else 0
  double log_scale = 0;                  // log σ

  // Of the locations and, last, log σ: (k + 1)² row-major, 0 for arms without a finite location.
  std::vector<double> covariance = {};  // inverse observed information
  // The same with scores summed by block (sandwich; Huber 1967, White 1982, Econometrica 50:1; no
  // small-sample factor). Present when there are more blocks than parameters.
  std::optional<std::vector<double>> robust_covariance = std::nullopt;
  // From `robust_covariance`; absent with it. Scale `log`; ± z errors; Wald, two-sided.
  std::optional<std::vector<double>> standard_error = std::nullopt;
  std::optional<std::vector<Interval>> limits = std::nullopt;  // of the coefficient
  std::optional<std::vector<double>> p_value = std::nullopt;

  double log_likelihood = 0;  // exact times contribute densities in days
  double aic = 0;             // 2 parameters − 2 log_likelihood; Akaike 1974
  int parameters = 0;
  int iterations = 0;
  std::int64_t blocks = 0;  // with a unit of an arm that has a finite location
};

// Maximum likelihood over intervals by Newton's method with step halving in (location / σ, 1 / σ),
// where the log-likelihood of all three families is concave (Burridge 1981, JRSS B 43:65), on the
// distinct rows, each counted once. Converged when a full Newton step is shorter than 1e-9 standard
// errors; it is taken. Whether a finite maximum exists is decided before, from the intervals: an
// arm never seen to have the event is infinitely late, one always seen to at its first look
// infinitely soon, and if the intervals of every remaining arm have a day in common there is no
// spread to be had.
//
// INVALID_ARGUMENT as Validate(); `against` outside 0 … arms − 1; confidence outside (0, 1);
// day_zero_ends not above 0; max_iterations below 1. Data that cannot be estimated are not an
// error: see `status`. Permuting rows or renaming blocks changes no digit. O(n log n + n k +
// iterations · distinct rows); memory 8 (k + 1) bytes a unit and block.
absl::StatusOr<AcceleratedFailureFit> FitAcceleratedFailure(
    const IntervalTimes& data, int against, const AcceleratedFailureOptions& options);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_ACCELERATED_FAILURE_H_
