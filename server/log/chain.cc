#include "server/log/chain.h"

#include <sodium.h>

#include <algorithm>

#include "absl/strings/escaping.h"
#include "absl/strings/str_cat.h"
#include "plumule/intake/v1/record.pb.h"
#include "server/protocol/reason.h"

namespace plumule::log {
namespace {

static_assert(crypto_hash_sha256_BYTES == std::tuple_size_v<Hash>);

const unsigned char* Bytes(absl::string_view text) {
  return reinterpret_cast<const unsigned char*>(text.data());
}

absl::Status Damaged(std::int64_t sequence, absl::string_view what) {
  return ReasonedError(absl::StatusCode::kDataLoss, "log_damaged",
                       absl::StrCat("entry ", sequence, " of the log ", what,
                                    ": it was damaged or changed after it was written"));
}

}  // namespace

Hash ChainHash(const Hash& previous, absl::string_view entry) {
  const unsigned char tag = 0x01;
  crypto_hash_sha256_state state;
  crypto_hash_sha256_init(&state);
  crypto_hash_sha256_update(&state, &tag, 1);
  crypto_hash_sha256_update(&state, previous.data(), previous.size());
  crypto_hash_sha256_update(&state, Bytes(entry), entry.size());
  Hash hash;
  crypto_hash_sha256_final(&state, hash.data());
  return hash;
}

Hash Sha256(absl::string_view bytes) {
  Hash hash;
  crypto_hash_sha256(hash.data(), Bytes(bytes), bytes.size());
  return hash;
}

std::string ToHex(const Hash& hash) { return absl::BytesToHexString(HashBytes(hash)); }

std::string HashBytes(const Hash& hash) {
  return std::string(reinterpret_cast<const char*>(hash.data()), hash.size());
}

Hash HashFromBytes(absl::string_view bytes) {
  Hash hash{};
  std::copy_n(Bytes(bytes), std::min(bytes.size(), hash.size()), hash.begin());
  return hash;
}

absl::Status ChainVerifier::Add(absl::string_view entry, absl::string_view claimed_hash) {
  const std::int64_t sequence = head_.sequence + 1;
  const Hash hash = ChainHash(head_.hash, entry);
  if (claimed_hash != HashBytes(hash)) return Damaged(sequence, "does not hash to what it should");
  intake::v1::LogEntry parsed;
  if (!parsed.ParseFromArray(entry.data(), static_cast<int>(entry.size()))) {
    return Damaged(sequence, "can't be read");
  }
  if (parsed.sequence() != sequence) {
    return Damaged(sequence, absl::StrCat("says that it is entry ", parsed.sequence()));
  }
  head_ = {sequence, hash};
  return absl::OkStatus();
}

}  // namespace plumule::log
