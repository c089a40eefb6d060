#include "server/log/entry_bytes.h"

#include <google/protobuf/io/coded_stream.h>
#include <google/protobuf/io/zero_copy_stream_impl_lite.h>
#include <google/protobuf/wire_format_lite.h>

namespace plumule::log {

using google::protobuf::internal::WireFormatLite;

google::protobuf::Timestamp ToTimestamp(absl::Time time) {
  google::protobuf::Timestamp timestamp;
  const std::int64_t seconds = absl::ToUnixSeconds(time);
  timestamp.set_seconds(seconds);
  timestamp.set_nanos(
      static_cast<int>(absl::ToInt64Nanoseconds(time - absl::FromUnixSeconds(seconds))));
  return timestamp;
}

absl::Time FromTimestamp(const google::protobuf::Timestamp& timestamp) {
  return absl::FromUnixSeconds(timestamp.seconds()) + absl::Nanoseconds(timestamp.nanos());
}

std::string EncodeRecordEntry(std::int64_t sequence, const google::protobuf::Timestamp& received,
                              absl::string_view key_id, absl::string_view record,
                              const intake::v1::Judgement& judgement) {
  intake::v1::LogEntry front;
  front.set_sequence(sequence);
  *front.mutable_receive_time() = received;
  front.set_key_id(std::string(key_id));
  intake::v1::LogEntry back;
  *back.mutable_judgement() = judgement;

  std::string bytes;
  bytes.reserve(record.size() + 96 + back.ByteSizeLong());
  front.AppendToString(&bytes);
  {
    google::protobuf::io::StringOutputStream stream(&bytes);
    google::protobuf::io::CodedOutputStream coded(&stream);
    coded.WriteTag(WireFormatLite::MakeTag(intake::v1::LogEntry::kRecordFieldNumber,
                                           WireFormatLite::WIRETYPE_LENGTH_DELIMITED));
    coded.WriteVarint32(static_cast<std::uint32_t>(record.size()));
    coded.WriteRaw(record.data(), static_cast<int>(record.size()));
  }
  back.AppendToString(&bytes);
  return bytes;
}

}  // namespace plumule::log
