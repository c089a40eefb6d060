// The bytes of log entries.
#pragma once

#include <cstdint>
#include <string>

#include "absl/strings/string_view.h"
#include "absl/time/time.h"
#include "google/protobuf/timestamp.pb.h"
#include "plumule/intake/v1/record.pb.h"

namespace plumule::log {

// `time` as UTC seconds and nanoseconds.
google::protobuf::Timestamp ToTimestamp(absl::Time time);
absl::Time FromTimestamp(const google::protobuf::Timestamp& timestamp);

// The serialization of a LogEntry that holds a record, from the record's own serialization: saves
// the committer from serializing it again. Equal to that of the message, byte for byte.
std::string EncodeRecordEntry(std::int64_t sequence, const google::protobuf::Timestamp& received,
                              absl::string_view key_id, absl::string_view record,
                              const intake::v1::Judgement& judgement);

}  // namespace plumule::log
