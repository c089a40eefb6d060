#ifndef PLUMULE_PLUGINS_STATS_INTERVAL_H_
#define PLUMULE_PLUGINS_STATS_INTERVAL_H_

namespace plumule::stats {

// Two-sided limits, lower ≤ upper, on the scale of the quantity they belong to.
struct Interval {
  double lower = 0;
  double upper = 0;
};

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_INTERVAL_H_
