#ifndef PLUMULE_PLUGINS_STATS_CONDITIONAL_EVENTS_H_
#define PLUMULE_PLUGINS_STATS_CONDITIONAL_EVENTS_H_

#include <cstdint>
#include <span>
#include <vector>

namespace plumule::stats {

// How `events` events fall on the arms of a risk set when each way of choosing the units weighs the
// product of their hazards: Fisher's noncentral hypergeometric distribution for several arms.
struct ConditionalEvents {
  double log_ways = 0;                  // log of the sum of the weights of all ways
  std::vector<double> mean = {};        // expected events by arm
  std::vector<double> covariance = {};  // k × k, row-major
};

// `at_risk`: units by arm; `log_hazard`: finite, one an arm; 0 ≤ events ≤ Σ at_risk.
//
// The sum of weights is the elementary symmetric function of degree `events` of all hazards (Gail,
// Lubin & Rubinstein 1981, Biometrika 68:703). Units of an arm are alike, so it is a convolution of
// one binomial an arm, tilted so that `events` is their expected total: nothing under- or overflows
// and no log-gamma differences cancel. O(events) for two arms at risk, O(events² k²) an arm beyond.
ConditionalEvents DistributeEvents(std::span<const std::int32_t> at_risk,
                                   std::span<const double> log_hazard, std::int64_t events);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_CONDITIONAL_EVENTS_H_
