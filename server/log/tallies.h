// The counts of a study, as differences that states make to them.
#pragma once

#include <cstdint>
#include <string>

#include "plumule/intake/v1/intake_service.pb.h"
#include "server/log/state.pb.h"
#include "server/protocol/compiled_protocol.h"

namespace plumule::log {

// Adds to the tally of `id`, which is kept in the order of ids and without zeros.
void AddTally(const std::string& id, std::int64_t by,
              google::protobuf::RepeatedPtrField<intake::v1::Tally>* tallies);

// Adds, or with −1 takes away, what a state contributes.
void CountGrower(const GrowerState& grower, std::int64_t by, StudyState* counts);
void CountBlock(const BlockState& block, std::int64_t by, StudyState* counts);
void CountUnit(const UnitState& unit, std::int64_t by, StudyState* counts);

// Notes in the unit what it counts as under the newest revision: thresholds reached, ended.
void NoteCounted(const protocol::CompiledProtocol& newest, UnitState* unit);

}  // namespace plumule::log
