// What makes two records with the same id the same.
#pragma once

#include "absl/strings/string_view.h"
#include "plumule/intake/v1/record.pb.h"
#include "server/log/chain.h"

namespace plumule::log {

// SHA-256 of the record's deterministic serialization. Of facts that the server writes, what it
// fills in itself (day, revision, freeze) is left out, so that a repeated request is recognized.
Hash ContentDigest(const intake::v1::Record& record);

// The same for a client's record whose serialization is at hand.
Hash ContentDigest(absl::string_view serialized);

// `message` in the bytes that are hashed and stored.
std::string SerializeDeterministically(const google::protobuf::MessageLite& message);

// True for facts that only the server writes.
bool IsServersOwn(const intake::v1::Record& record);

}  // namespace plumule::log
