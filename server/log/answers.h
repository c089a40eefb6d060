// Answers as state keeps them, independent of the positions in any revision of the protocol.
#pragma once

#include <optional>

#include "absl/strings/string_view.h"
#include "server/log/state.pb.h"
#include "server/protocol/compiled_protocol.h"

namespace plumule::log {

// `value`, an answer to `variable`.
Answer ToAnswer(const protocol::CompiledProtocol& protocol, int variable,
                const protocol::CanonicalValue& value);

// The inverse. Codes that this revision lacks are left out; absent if none of an answer is left.
std::optional<protocol::CanonicalValue> FromAnswer(const protocol::CompiledProtocol& protocol,
                                                   int variable, const Answer& answer);

// The fact's answer to a variable; null if it has none.
const Answer* FindAnswer(const Fact& fact, absl::string_view variable);

// Both in one.
std::optional<protocol::CanonicalValue> AnswerTo(const protocol::CompiledProtocol& protocol,
                                                 int variable, const Fact& fact);

}  // namespace plumule::log
