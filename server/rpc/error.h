// The one place where errors of the domain become errors of a call.
#pragma once

#include <grpcpp/support/status.h>

#include "absl/status/status.h"

namespace plumule::rpc {

// `status` as a gRPC status. Its reason, facts, field violations and time to wait (see
// server/protocol/reason.h) become google.rpc.ErrorInfo (domain "plumule"), BadRequest and
// RetryInfo in `grpc-status-details-bin`. An error without a reason keeps its code and gets the
// reason `internal` with words that tell a stranger nothing about the server; `status` itself is
// for the log then.
grpc::Status ToGrpcStatus(const absl::Status& status);

}  // namespace plumule::rpc
