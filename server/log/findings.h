// What departs from the protocol in what is known of growers, blocks and units: the rules that need
// more than one record. Functions of the facts alone, whatever the order in which they came.
#pragma once

#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include "absl/strings/string_view.h"
#include "plumule/intake/v1/record.pb.h"
#include "server/log/state.pb.h"
#include "server/protocol/compiled_protocol.h"

namespace plumule::log {

// One departure.
struct Departure {
  enum class Kind {
    kWithinDays,
    kNotBefore,
    kSameAcrossArms,
    kMonotone,
    kLookInterval,
    kTooManyUnits,
    kAfterLoss,
    kCrossingDisagrees,
  };
  Kind kind;
  // The protocol's rule; kNone for the built-in ones.
  int rule = protocol::kNone;
  // Arm (too many units), threshold (crossing disagrees); 0 else.
  int part = 0;
  // Two days since 1970-01-01; for same_across_arms and too many units, `to` is a number of answers
  // or units.
  std::int32_t from = 0;
  std::int32_t to = 0;
};

// Id of the rule, or of the built-in one, that a departure breaks.
absl::string_view RuleIdOf(const protocol::CompiledProtocol& protocol, const Departure& departure);

// What follows from it, by the protocol; the built-in ones are deviations.
study::v1::RuleOutcome OutcomeOf(const protocol::CompiledProtocol& protocol,
                                 const Departure& departure);

// True if units concerned leave the set of those that followed the protocol.
bool LeavesPrimarySet(const protocol::CompiledProtocol& protocol, const Departure& departure);

// In words, with the values concerned.
intake::v1::Finding Describe(const protocol::CompiledProtocol& protocol,
                             const Departure& departure);

// Those of `after` that `before` does not hold already in some form. A gap between looks that lies
// within an earlier gap is not new: a late look in between makes things better, not worse.
std::vector<Departure> NewDepartures(const std::vector<Departure>& before,
                                     const std::vector<Departure>& after);

// Days that speak of the grower alone.
std::vector<Departure> GrowerDepartures(const protocol::CompiledProtocol& protocol,
                                        const GrowerState& grower);

// Units of a block by id, ascending.
using BlockUnits = std::vector<std::pair<std::string, const UnitState*>>;

// Days of the block, and its units together. Concerns all its units.
std::vector<Departure> BlockDepartures(const protocol::CompiledProtocol& protocol,
                                       const GrowerState& grower, const BlockState& block,
                                       const BlockUnits& units);

// Days of one unit, its looks and its end. O(looks) a rule.
std::vector<Departure> UnitDepartures(const protocol::CompiledProtocol& protocol,
                                      const GrowerState& grower, const BlockState& block,
                                      const UnitState& unit);

}  // namespace plumule::log
