#include "plugins/stats/quantile.h"

#include "plugins/stats/arguments.h"
#include "plugins/stats/log_log_limits.h"
#include "plugins/stats/share_crossing.h"

namespace plumule::stats {

absl::StatusOr<Quantile> DaysToQuantile(const KaplanMeierCurve& curve, double share,
                                        double confidence) {
  if (absl::Status status = CheckConfidence(confidence); !status.ok()) return status;
  if (absl::Status status = CheckShare(share); !status.ok()) return status;
  if (curve.steps.empty()) {
    return absl::FailedPreconditionError("the group has no units, so it has no curve");
  }
  const double z = TwoSidedNormalQuantile(confidence);
  ShareCrossing days(share), lower(share), upper(share);
  for (const KaplanMeierStep& step : curve.steps) {
    days.Visit(step.time, 1 - step.survival);
    if (const auto limits = LogLogLimits(step, z)) {
      lower.Visit(step.time, 1 - limits->lower);
      upper.Visit(step.time, 1 - limits->upper);
    }
  }
  const double last_day = curve.steps.back().time;
  return Quantile{.share = share,
                  .days = days.Day(last_day),
                  .lower = lower.Day(last_day),
                  .upper = upper.Day(last_day)};
}

}  // namespace plumule::stats
