#pragma once

#include <google/protobuf/message.h>

#include <string>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "plumule/analysis/v1/analysis_service.pb.h"

namespace plumule::cli {

// The protobuf JSON of a message, indented, with the field names of the contract (snake_case) and
// numbers that read back to the same bits. Fields without presence are written even where they are
// 0 or empty; absent optional numbers are left out.
std::string ToJson(const google::protobuf::Message& message);

// A result from a local file: the JSON of a StoredResult or of a bare Result, whichever fits.
absl::StatusOr<analysis::v1::StoredResult> ParseResultJson(absl::string_view json);

}  // namespace plumule::cli
