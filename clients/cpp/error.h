// Errors of calls, as values, with everything the server said about them.
#pragma once

#include <grpcpp/support/status.h>

#include <optional>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/time/time.h"
#include "google/rpc/status.pb.h"

namespace plumule::client {

// The status of a call, with the server's details as its payload; OK becomes OK.
absl::Status FromGrpc(const grpc::Status& status);

// The stable reason that the server gave, `study_not_found`; empty if it gave none.
std::string Reason(const absl::Status& status);

// Every field that the server found wrong.
std::vector<google::rpc::BadRequest::FieldViolation> FieldViolations(const absl::Status& status);

// How long the server asks to wait before the same call is tried again.
std::optional<absl::Duration> RetryDelay(const absl::Status& status);

// True if the same call may succeed later: the server could not be reached, is stopping or asks to
// come back after a while.
bool IsTransient(const absl::Status& status);

// For people: the message, and one indented line for each wrong field with what to do about it.
// Without the status's own reason, which is for programs. No newline at the end.
std::string Explain(const absl::Status& status);

}  // namespace plumule::client
