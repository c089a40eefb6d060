#include "plugins/stats/kaplan_meier.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"
#include "plugins/stats/log_log_limits.h"

namespace plumule::stats {
namespace {

struct Observation {
  double time;
  bool event;
};

// `observations` sorted by time.
KaplanMeierCurve CurveOf(std::span<const Observation> observations) {
  KaplanMeierCurve curve;
  curve.units = static_cast<std::int64_t>(observations.size());
  std::int64_t at_risk = curve.units;
  double survival = 1;
  double greenwood = 0;
  for (std::size_t row = 0; row < observations.size();) {
    KaplanMeierStep step{.time = observations[row].time, .at_risk = at_risk};
    for (; row < observations.size() && observations[row].time == step.time; ++row) {
      ++(observations[row].event ? step.events : step.censored);
    }
    if (step.events > 0) {
      const auto n = static_cast<double>(at_risk);
      const auto d = static_cast<double>(step.events);
      survival *= (n - d) / n;
      if (d < n) greenwood += d / (n * (n - d));
    }
    step.survival = survival;
    step.greenwood = greenwood;
    curve.events += step.events;
    at_risk -= step.events + step.censored;
    curve.steps.push_back(step);
  }
  return curve;
}

}  // namespace

const KaplanMeierStep* KaplanMeierCurve::At(double day) const {
  const auto after =
      std::upper_bound(steps.begin(), steps.end(), day,
                       [](double value, const KaplanMeierStep& step) { return value < step.time; });
  return after == steps.begin() ? nullptr : &*std::prev(after);
}

absl::StatusOr<KaplanMeierCurve> KaplanMeier(std::span<const double> time,
                                             std::span<const std::uint8_t> event) {
  auto curves = KaplanMeierByArm({.time = time, .event = event});
  if (!curves.ok()) return curves.status();
  return std::move(curves->front());
}

absl::StatusOr<std::vector<KaplanMeierCurve>> KaplanMeierByArm(const Survival& data) {
  if (absl::Status status = Validate(data); !status.ok()) return status;
  std::vector<std::vector<Observation>> by_arm(static_cast<std::size_t>(data.arms));
  for (std::size_t row = 0; row < data.units(); ++row) {
    by_arm[static_cast<std::size_t>(data.ArmOf(row))].push_back(
        {.time = data.time[row], .event = data.event[row] == 1});
  }
  std::vector<KaplanMeierCurve> curves;
  for (auto& observations : by_arm) {
    std::sort(observations.begin(), observations.end(),
              [](const Observation& a, const Observation& b) { return a.time < b.time; });
    curves.push_back(CurveOf(observations));
  }
  return curves;
}

absl::StatusOr<ReachedShare> ReachedBy(const KaplanMeierCurve& curve, double day,
                                       double confidence) {
  if (absl::Status status = CheckConfidence(confidence); !status.ok()) return status;
  if (!std::isfinite(day)) {
    return absl::InvalidArgumentError(absl::StrCat("day is ", day, "; it must be finite"));
  }
  if (curve.steps.empty()) {
    return absl::FailedPreconditionError("the group has no units, so it has no curve");
  }
  ReachedShare reached{.day = day, .at_risk = curve.units};
  for (const KaplanMeierStep& step : curve.steps) {
    if (step.time > day) break;
    reached.events += step.events;
  }
  if (const KaplanMeierStep* step = curve.At(day)) {
    reached.share = 1 - step->survival;
    reached.standard_error = std::sqrt(step->variance());
    if (const auto limits = LogLogLimits(*step, TwoSidedNormalQuantile(confidence))) {
      reached.limits = Interval{.lower = 1 - limits->upper, .upper = 1 - limits->lower};
    }
    reached.at_risk =
        step->time == day ? step->at_risk : step->at_risk - step->events - step->censored;
  }
  const KaplanMeierStep& last = curve.steps.back();
  reached.past_follow_up = day > last.time && last.survival > 0;
  return reached;
}

}  // namespace plumule::stats
