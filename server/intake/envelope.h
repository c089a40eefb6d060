// Checks of a record's envelope and of its fact's own fields: everything but its answers and dates
// against the calendar.
#pragma once

#include "absl/strings/string_view.h"
#include "plumule/intake/v1/record.pb.h"
#include "server/protocol/compiled_protocol.h"

namespace plumule::intake {

// True for RFC 4122 text form, lower case: 8-4-4-4-12 hexadecimal digits.
bool IsUuid(absl::string_view text);

// True for ids of growers, blocks and units: letters, digits, hyphens, underscores and dots, 1
// to 64.
bool IsPlaceId(absl::string_view text);

// Adds what is wrong with a client's record in itself.
void CheckEnvelope(const v1::Record& record, v1::Judgement* judgement);

// Adds what is wrong with it against the revision that it names.
void CheckFact(const v1::Record& record, const protocol::CompiledProtocol& protocol,
               v1::Judgement* judgement);

}  // namespace plumule::intake
