// Civil days as the numbers that state and datasets hold: days since 1970-01-01.
#pragma once

#include <cstdint>

#include "absl/time/civil_time.h"

namespace plumule::log {

inline std::int32_t DayNumber(absl::CivilDay day) {
  return static_cast<std::int32_t>(day - absl::CivilDay(1970, 1, 1));
}

inline absl::CivilDay DayOf(std::int32_t number) { return absl::CivilDay(1970, 1, 1) + number; }

}  // namespace plumule::log
