#ifndef PLUMULE_PLUGINS_STATS_LOG_LOG_LIMITS_H_
#define PLUMULE_PLUGINS_STATS_LOG_LOG_LIMITS_H_

#include <cmath>
#include <optional>

#include "plugins/stats/interval.h"
#include "plugins/stats/kaplan_meier.h"

namespace plumule::stats {

// Limits of a share S that is still under way, symmetric in log(−log S), z standard errors of log S
// wide (Kalbfleisch & Prentice 2002, §1.4.2). Absent at exactly 0 or 1.
inline std::optional<Interval> LogLogLimits(double survival, double log_error, double z) {
  if (survival <= 0 || survival >= 1) return std::nullopt;
  const double log_survival = std::log(survival);
  const double half_width = z * log_error / -log_survival;
  return Interval{.lower = std::exp(log_survival * std::exp(half_width)),
                  .upper = std::exp(log_survival * std::exp(-half_width))};
}

// The same of a curve at a step.
inline std::optional<Interval> LogLogLimits(const KaplanMeierStep& step, double z) {
  return LogLogLimits(step.survival, std::sqrt(step.greenwood), z);
}

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_LOG_LOG_LIMITS_H_
