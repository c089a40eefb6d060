// What the study's calendar says of a record, given when it was received.
#pragma once

#include "absl/time/time.h"
#include "plumule/access/v1/access_service.pb.h"
#include "plumule/intake/v1/record.pb.h"
#include "server/protocol/compiled_protocol.h"

namespace plumule::intake {

// The civil day of `time` in the study's time zone.
absl::CivilDay TodayIn(const protocol::CompiledProtocol& protocol, absl::Time time);

// Adds problems and deviations. Dates that can't be read are left to CheckEnvelope. A grower may
// leave on any day, so `withdrew` is never late.
void CheckCalendar(const v1::Record& record, const protocol::CompiledProtocol& protocol,
                   access::v1::Role role, absl::Time received, v1::Judgement* judgement);

}  // namespace plumule::intake
