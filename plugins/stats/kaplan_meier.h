#ifndef PLUMULE_PLUGINS_STATS_KAPLAN_MEIER_H_
#define PLUMULE_PLUGINS_STATS_KAPLAN_MEIER_H_

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "plugins/stats/interval.h"
#include "plugins/stats/survival.h"

namespace plumule::stats {

// The curve at one distinct observed time; it holds from `time` until the next step.
struct KaplanMeierStep {
  double time = 0;            // days
  std::int64_t at_risk = 0;   // units not yet reached or censored just before `time`
  std::int64_t events = 0;    // units reaching the event at `time`
  std::int64_t censored = 0;  // units censored at `time`, after the events
  double survival = 1;        // share not yet reached after the events at `time`
  // Greenwood's sum Σ d / (n (n − d)) up to and including `time`: the variance of log survival.
  // Terms with n = d (the curve falls to 0) add nothing; see `KaplanMeierCurve`.
  double greenwood = 0;

  // Greenwood's variance of `survival` (linear scale). 0 once the curve is at 0.
  double variance() const { return survival * survival * greenwood; }
};

// Product-limit estimate for one group (Kaplan & Meier 1958, JASA 53:457), with Greenwood
// (1926) variances. Before the first step survival is 1 with variance 0. Steps ascend in time and
// include times with censorings only. No units: no steps.
struct KaplanMeierCurve {
  std::vector<KaplanMeierStep> steps = {};
  std::int64_t units = 0;
  std::int64_t events = 0;

  // The step in force at `day` (the last with time ≤ day), or null before the first.
  const KaplanMeierStep* At(double day) const;  // O(log steps)
};

// One group. `time` and `event` as in Survival. INVALID_ARGUMENT for lengths that differ or values
// outside the rules. O(n log n); 48 bytes a distinct time.
absl::StatusOr<KaplanMeierCurve> KaplanMeier(std::span<const double> time,
                                             std::span<const std::uint8_t> event);

// One curve an arm, index = arm; blocks are ignored. Errors as Validate(). O(n log n).
absl::StatusOr<std::vector<KaplanMeierCurve>> KaplanMeierByArm(const Survival& data);

// The share that has reached the event by a day: 1 − S(day). Measure `reached_by`.
struct ReachedShare {
  double day = 0;
  double share = 0;
  double standard_error = 0;  // Greenwood, linear scale; 0 when share is 0 or 1: see `limits`
  // log(−log S) limits (Kalbfleisch & Prentice 2002, §1.4.2). Absent when the share is 0 or 1: the
  // transformation has no value there. Where nobody was censored before `day`, ClopperPearson()
  // of the counts gives exact limits in that case.
  std::optional<Interval> limits = std::nullopt;
  std::int64_t at_risk = 0;  // units still followed on `day`
  std::int64_t events = 0;   // events up to and including `day`
  // True when `day` lies after the last observed time and the curve is not at 0 there: the share is
  // only known to be at least this much.
  bool past_follow_up = false;
};

// `confidence` in (0, 1), e.g. 0.95. INVALID_ARGUMENT for a day that is not finite or a confidence
// outside (0, 1); FAILED_PRECONDITION for a curve without units. O(steps).
absl::StatusOr<ReachedShare> ReachedBy(const KaplanMeierCurve& curve, double day,
                                       double confidence = 0.95);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_KAPLAN_MEIER_H_
