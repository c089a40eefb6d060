#include "plugins/sdk/follow_up.h"

#include <string>

#include "absl/time/civil_time.h"

namespace plumule::sdk {
namespace {

std::optional<absl::CivilDay> DayOf(const std::string& date) {
  absl::CivilDay day;
  if (!absl::ParseCivilTime(date, &day)) return std::nullopt;
  return day;
}

}  // namespace

std::optional<FollowUp> PlannedFollowUp(const study::v1::Calendar& calendar) {
  const auto opens = DayOf(calendar.opens_on());
  const auto closes = DayOf(calendar.closes_on());
  if (!opens || !closes || *closes <= *opens) return std::nullopt;
  FollowUp follow_up;
  follow_up.longest = static_cast<double>(*closes - *opens);
  const auto start_by = DayOf(calendar.start_by());
  if (start_by && *start_by >= *opens && *start_by < *closes) {
    follow_up.shortest = static_cast<double>(*closes - *start_by);
  }
  return follow_up;
}

}  // namespace plumule::sdk
