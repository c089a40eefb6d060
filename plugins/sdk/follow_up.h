#ifndef PLUMULE_PLUGINS_SDK_FOLLOW_UP_H_
#define PLUMULE_PLUGINS_SDK_FOLLOW_UP_H_

#include <optional>

#include "plumule/study/v1/protocol.pb.h"

namespace plumule::sdk {

// How long units are followed by the calendar of a protocol, in days from a unit's start to the
// closing date.
struct FollowUp {
  std::optional<double> shortest;  // of units started on the last day to start, if one is declared
  double longest = 0;              // of units started on the opening day
};

// Absent where the calendar lacks its opening or closing date, as that of a local table does, or
// closes before it opens.
std::optional<FollowUp> PlannedFollowUp(const study::v1::Calendar& calendar);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_FOLLOW_UP_H_
