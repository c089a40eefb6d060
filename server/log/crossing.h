// When a unit reached a threshold, as far as its looks and reports tell.
#pragma once

#include <cstdint>
#include <optional>

#include "server/log/state.pb.h"
#include "server/protocol/compiled_protocol.h"

namespace plumule::log {

enum class CrossingStatus { kNotReached, kReached, kLostBiological, kLostIncidental };

// Whole days from the unit's start.
struct Crossing {
  // Last day on which it was known not to have reached it; 0: its start.
  int lower = 0;
  // First day on which it was known to have. Equal to `lower`: reached on that very day. Absent:
  // not reached.
  std::optional<int> upper;
  CrossingStatus status = CrossingStatus::kNotReached;
};

// What the looks alone say, as days since 1970-01-01. Looks after the unit's loss are disregarded.
struct SeenCrossing {
  // Last look below that is not after the first look at or beyond.
  std::optional<std::int32_t> last_below;
  // First look at or beyond, whatever came then.
  std::optional<std::int32_t> first_met;
};
SeenCrossing SeenCrossingOf(const protocol::CompiledProtocol& protocol, int threshold,
                            const UnitState& unit);

// The report of a threshold; null if there is none, or it is of a day after the loss.
const Fact* ReportOf(const protocol::CompiledProtocol& protocol, int threshold,
                     const UnitState& unit);

// The crossing of a started unit: reported where there is a report, else seen; lost units that had
// not reached it are known up to the day of loss. Where the threshold's days are reported only, a
// look that does not show it reached says that it was not. O(looks).
Crossing CrossingOf(const protocol::CompiledProtocol& protocol, int threshold,
                    const UnitState& unit);

}  // namespace plumule::log
