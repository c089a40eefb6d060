#ifndef PLUMULE_PLUGINS_STATS_CUMULATIVE_INCIDENCE_H_
#define PLUMULE_PLUGINS_STATS_CUMULATIVE_INCIDENCE_H_

#include <cstdint>
#include <optional>
#include <span>

#include "absl/status/statusor.h"
#include "plugins/stats/interval.h"

namespace plumule::stats {

// How a unit's follow-up ended.
inline constexpr std::uint8_t kCensored = 0;
inline constexpr std::uint8_t kEvent = 1;
inline constexpr std::uint8_t kCompeting = 2;  // what makes the event impossible: the seed rotted

// Times of n units of one group that can end in two ways, one row a unit, in any order; a view.
// Ties and censoring as in Survival.
struct CompetingTimes {
  std::span<const double> time = {};           // days; finite, not negative
  std::span<const std::uint8_t> outcome = {};  // kCensored, kEvent or kCompeting
  // Block of each unit: any label. An empty span makes every unit a block of its own.
  std::span<const std::int32_t> block = {};
};

// The share of all units that has had the event by a day, those that the competing outcome took
// counting as never: Aalen & Johansen 1978, Scand J Stat 5:141. Measure `reached_by`, method
// `aalen_johansen`. Where nothing competes it is 1 − the Kaplan–Meier estimate.
struct Incidence {
  double day = 0;
  double share = 0;
  // Linear scale; from the influence of each unit (infinitesimal jackknife; Andersen, Borgan, Gill
  // & Keiding 1993, §IV.4; as survfit of a multi-state Surv in R's survival), summed by block.
  double standard_error = 0;
  // Symmetric in log(−log(1 − share)). Absent where the share is 0 or 1, or nothing varies.
  std::optional<Interval> limits = std::nullopt;
  std::int64_t units = 0;
  std::int64_t events = 0;     // up to and including `day`
  std::int64_t competing = 0;  // likewise
  // True when `day` lies after the last observed time and some unit was still under way then: the
  // share is only known to be at least this much.
  bool past_follow_up = false;
};

// INVALID_ARGUMENT for lengths that differ, times or outcomes outside the rules, a day that is not
// finite or a confidence outside (0, 1); FAILED_PRECONDITION without units. O(n log n); permuting
// rows or renaming blocks changes no digit.
absl::StatusOr<Incidence> IncidenceBy(const CompetingTimes& data, double day,
                                      double confidence = 0.95);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_CUMULATIVE_INCIDENCE_H_
