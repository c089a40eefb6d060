// Reads a protocol definition that an organizer wrote, from a local file. For programs that people
// run on their own files; the server takes no text.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "plumule/study/v1/protocol.pb.h"

namespace plumule::protocol {

// Deepest nesting of messages and lists that is read; protobuf's own parser would overflow the
// stack on much deeper input.
inline constexpr int kDeepestNesting = 64;
// Largest file that is read, in bytes.
inline constexpr std::size_t kLargestProtocolFile = std::size_t{4} << 20;

// The definition in `text`, protobuf text format. `file_name` only stands in messages.
// INVALID_ARGUMENT (`protocol_unreadable`) with messages of the form
// `file:line:column: what is wrong; what is expected`, lines and columns from 1. An unknown field
// name is answered with the nearest known one.
absl::StatusOr<study::v1::Protocol> ParseProtocolText(absl::string_view text,
                                                      absl::string_view file_name);

// The definition in `text`, JSON of the same message. Errors as above.
absl::StatusOr<study::v1::Protocol> ParseProtocolJson(absl::string_view text,
                                                      absl::string_view file_name);

// The definition in a file: JSON if its name ends in ".json", text format else. Errors as above;
// NOT_FOUND (`file_not_found`) or UNAVAILABLE (`file_unreadable`) if it can't be read.
absl::StatusOr<study::v1::Protocol> ReadProtocolFile(const std::string& path);

}  // namespace plumule::protocol
