// The hash chain of a log, as record.proto defines it:
//
//   hash(n) = SHA-256(0x01 ‖ hash(n−1) ‖ bytes of entry n), 32 zero bytes before the first.
#pragma once

#include <array>
#include <cstdint>
#include <string>

#include "absl/status/status.h"
#include "absl/strings/string_view.h"

namespace plumule::log {

using Hash = std::array<unsigned char, 32>;

// Hash of an entry whose predecessor hashes to `previous`. Any thread; needs no initialization.
Hash ChainHash(const Hash& previous, absl::string_view entry);

// SHA-256 of `bytes`.
Hash Sha256(absl::string_view bytes);

// Lower-case hexadecimal.
std::string ToHex(const Hash& hash);

// The 32 bytes as a string, and back. `bytes` must hold 32.
std::string HashBytes(const Hash& hash);
Hash HashFromBytes(absl::string_view bytes);

// Where a log ends.
struct Head {
  // 0: the log is empty.
  std::int64_t sequence = 0;
  Hash hash{};

  friend bool operator==(const Head&, const Head&) = default;
};

// Walks a chain from its first entry. Pure: needs no store, so clients use it too.
class ChainVerifier {
 public:
  // Takes the next entry, as stored, and the hash that is claimed for it. DATA_LOSS
  // (`log_damaged`), naming the sequence, if the entry can't be read, has another sequence, or
  // hashes to something else. After an error the verifier stays where it was.
  absl::Status Add(absl::string_view entry, absl::string_view claimed_hash);

  // The last entry that was good.
  const Head& head() const { return head_; }

 private:
  Head head_;
};

}  // namespace plumule::log
