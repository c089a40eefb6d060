#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "clients/cli/import/mapping.pb.h"
#include "clients/cli/table/table.h"
#include "plumule/study/v1/protocol.pb.h"

namespace plumule::cli {

// A mapping from protobuf text format. InvalidArgument with `file:line:column: …` lines.
absl::StatusOr<Mapping> ParseMapping(absl::string_view text, absl::string_view file_name);

// Everything that keeps `mapping` from being used with this table and protocol, one line each with
// a remedy; empty if it can be used.
std::vector<std::string> CheckMapping(const Mapping& mapping, const Table& table,
                                      const study::v1::Protocol& protocol);

}  // namespace plumule::cli
