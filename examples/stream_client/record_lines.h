// Files of records, one JSON object a line.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "plumule/intake/v1/record.pb.h"

namespace plumule::stream_client {

// One record and where it stands in its file.
struct Line {
  // From 1.
  int number = 0;
  intake::v1::Record record;
};

// Reads the whole file, so that one that can't be read is not sent by half. Empty lines are passed
// over. Each line is the protobuf JSON of plumule.intake.v1.Record; its length and depth are
// bounded. INVALID_ARGUMENT in words, with file and line.
absl::StatusOr<std::vector<Line>> ReadLines(const std::string& path);

}  // namespace plumule::stream_client
