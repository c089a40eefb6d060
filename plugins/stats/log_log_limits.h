#ifndef PLUMULE_PLUGINS_STATS_LOG_LOG_LIMITS_H_
#define PLUMULE_PLUGINS_STATS_LOG_LOG_LIMITS_H_

#include <cmath>
#include <optional>

#include "plugins/stats/interval.h"
#include "plugins/stats/kaplan_meier.h"

namespace plumule::stats {

// Pointwise limits of S(t) at a step, symmetric in log(−log S), z standard errors wide
// (Kalbfleisch & Prentice 2002, §1.4.2). Absent at exactly 0 or 1.
inline std::optional<Interval> LogLogLimits(const KaplanMeierStep& step, double z) {
  if (step.survival <= 0 || step.survival >= 1) return std::nullopt;
  const double log_survival = std::log(step.survival);
  const double half_width = z * std::sqrt(step.greenwood) / -log_survival;
  return Interval{.lower = std::exp(log_survival * std::exp(half_width)),
                  .upper = std::exp(log_survival * std::exp(-half_width))};
}

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_LOG_LOG_LIMITS_H_
