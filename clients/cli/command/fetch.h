#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "clients/cpp/connection.h"

namespace plumule::cli {

// Single things of a server that several verbs need. Errors are those of the calls.

// The newest published revision of a study's protocol.
absl::StatusOr<study::v1::GetProtocolResponse> FetchProtocol(client::Connection& server,
                                                             const std::string& study);
// Name of the newest freeze; FailedPrecondition with words if there is none.
absl::StatusOr<std::string> NewestFreeze(client::Connection& server, const std::string& study);
absl::StatusOr<analysis::v1::StoredResult> FetchResult(client::Connection& server,
                                                       const std::string& name);

}  // namespace plumule::cli
