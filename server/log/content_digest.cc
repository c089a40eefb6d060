#include "server/log/content_digest.h"

#include <google/protobuf/io/coded_stream.h>
#include <google/protobuf/io/zero_copy_stream_impl_lite.h>

#include <string>

namespace plumule::log {

std::string SerializeDeterministically(const google::protobuf::MessageLite& message) {
  std::string bytes;
  bytes.reserve(message.ByteSizeLong());
  google::protobuf::io::StringOutputStream stream(&bytes);
  google::protobuf::io::CodedOutputStream coded(&stream);
  coded.SetSerializationDeterministic(true);
  message.SerializeToCodedStream(&coded);
  coded.Trim();
  return bytes;
}

bool IsServersOwn(const intake::v1::Record& record) {
  return record.fact_case() >= intake::v1::Record::kPublished;
}

Hash ContentDigest(absl::string_view serialized) { return Sha256(serialized); }

Hash ContentDigest(const intake::v1::Record& record) {
  if (!IsServersOwn(record)) return Sha256(SerializeDeterministically(record));
  intake::v1::Record asked = record;
  asked.clear_happened_on();
  asked.clear_protocol_revision();
  if (asked.has_published()) asked.mutable_published()->clear_revision();
  if (asked.has_frozen()) asked.mutable_frozen()->Clear();
  return Sha256(SerializeDeterministically(asked));
}

}  // namespace plumule::log
