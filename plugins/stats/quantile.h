#ifndef PLUMULE_PLUGINS_STATS_QUANTILE_H_
#define PLUMULE_PLUGINS_STATS_QUANTILE_H_

#include <optional>

#include "absl/status/statusor.h"
#include "plugins/stats/kaplan_meier.h"

namespace plumule::stats {

// The day by which a share of the units has reached the event. Measure `days_to_quantile`.
struct Quantile {
  double share = 0.5;
  // Absent: the curve never falls that far ("not reached"). `lower` may be present without
  // `upper`; then the upper limit is not known.
  std::optional<double> days = std::nullopt;
  std::optional<double> lower = std::nullopt;
  std::optional<double> upper = std::nullopt;
};

// Smallest time with S(t) ≤ 1 − share. Where the curve runs flat exactly at 1 − share
// (within 1.5e-8, so that rounding cannot decide), the midpoint of the flat stretch, which ends at
// the next event or, if none follows, at the last observed time. Limits are those of Brookmeyer &
// Crowley (1982, Biometrics 38:29) on the log–log scale: the same rule applied to the lower and
// upper pointwise limits of the curve. All this is the convention of quantile.survfit in R's
// survival package with conf.type = "log-log". A curve at exactly 0 or 1 has no pointwise limits:
// those steps are passed over.
//
// INVALID_ARGUMENT for a share or confidence outside (0, 1); FAILED_PRECONDITION for a curve
// without units. O(steps).
absl::StatusOr<Quantile> DaysToQuantile(const KaplanMeierCurve& curve, double share,
                                        double confidence = 0.95);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_QUANTILE_H_
