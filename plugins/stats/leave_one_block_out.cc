#include "plugins/stats/leave_one_block_out.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <vector>

#include "plugins/stats/arguments.h"

namespace plumule::stats {
namespace {

// Units of one arm by the day their time ends: events, and all.
struct Counts {
  std::vector<std::int64_t> events;
  std::vector<std::int64_t> ended;
  std::int64_t units = 0;
};

// Distinct times of the rows, ascending; those at tau or later come last.
std::vector<double> Days(const Survival& data, const std::vector<std::size_t>& rows) {
  std::vector<double> days;
  for (const std::size_t row : rows) days.push_back(data.time[row]);
  std::sort(days.begin(), days.end());
  days.erase(std::unique(days.begin(), days.end()), days.end());
  return days;
}

// Area under the product-limit curve to tau; absent without units, or where the last of them was
// still under way before tau.
std::optional<double> RestrictedMeanOf(const Counts& counts, const std::vector<double>& days,
                                       double tau) {
  if (counts.units == 0) return std::nullopt;
  std::int64_t at_risk = counts.units;
  double survival = 1;
  double area = 0;
  double day_before = 0;
  for (std::size_t i = 0; i < days.size() && days[i] < tau; ++i) {
    if (counts.ended[i] == 0) continue;
    area += survival * (days[i] - day_before);
    day_before = days[i];
    survival *= 1 - static_cast<double>(counts.events[i]) / static_cast<double>(at_risk);
    at_risk -= counts.ended[i];
    if (survival == 0) return area;
    if (at_risk == 0) return std::nullopt;
  }
  return area + survival * (tau - day_before);
}

void Add(Counts& counts, std::size_t day, bool event, std::int64_t units) {
  counts.ended[day] += units;
  counts.events[day] += event ? units : 0;
  counts.units += units;
}

}  // namespace

absl::StatusOr<LeaveOneBlockOut> LeaveOutEachBlock(const Survival& data, int arm, int against,
                                                   double tau) {
  for (const absl::Status& status :
       {Validate(data), CheckContrast(data, arm, against), CheckTau(tau)}) {
    if (!status.ok()) return status;
  }
  std::vector<std::size_t> rows;
  bool present[2] = {};  // of `against`, of `arm`
  for (std::size_t row = 0; row < data.units(); ++row) {
    if (data.ArmOf(row) != arm && data.ArmOf(row) != against) continue;
    rows.push_back(row);
    present[data.ArmOf(row) == arm ? 1 : 0] = true;
  }
  if (!present[0] || !present[1]) {
    return absl::FailedPreconditionError("an arm has no units, so it has no restricted mean");
  }
  std::sort(rows.begin(), rows.end(),
            [&](std::size_t a, std::size_t b) { return data.BlockOf(a) < data.BlockOf(b); });
  const std::vector<double> days = Days(data, rows);
  LeaveOneBlockOut result;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    if (i == 0 || data.BlockOf(rows[i]) != data.BlockOf(rows[i - 1])) ++result.blocks;
  }
  if (static_cast<double>(result.blocks) * static_cast<double>(days.size()) >
      kMostLeaveOneOutSteps) {
    result.too_much_work = true;
    return result;
  }

  Counts counts[2];  // of `against`, of `arm`
  for (Counts& of_arm : counts) {
    of_arm.events.resize(days.size());
    of_arm.ended.resize(days.size());
  }
  const auto count = [&](std::size_t row, std::int64_t units) {
    const auto day = std::lower_bound(days.begin(), days.end(), data.time[row]) - days.begin();
    Add(counts[data.ArmOf(row) == arm ? 1 : 0], static_cast<std::size_t>(day), data.event[row] == 1,
        units);
  };
  for (const std::size_t row : rows) count(row, 1);
  for (std::size_t begin = 0; begin < rows.size();) {
    std::size_t end = begin;
    while (end < rows.size() && data.BlockOf(rows[end]) == data.BlockOf(rows[begin])) {
      count(rows[end++], -1);
    }
    const auto treated = RestrictedMeanOf(counts[1], days, tau);
    const auto control = RestrictedMeanOf(counts[0], days, tau);
    if (treated && control) {
      const double difference = *treated - *control;
      result.lowest = std::min(result.lowest.value_or(difference), difference);
      result.highest = std::max(result.highest.value_or(difference), difference);
      ++result.left_out;
    }
    for (; begin < end; ++begin) count(rows[begin], 1);
  }
  return result;
}

}  // namespace plumule::stats
