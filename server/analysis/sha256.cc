#include "server/analysis/sha256.h"

#include <fcntl.h>
#include <sodium.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <vector>

#include "absl/status/status.h"
#include "absl/strings/escaping.h"
#include "absl/strings/str_cat.h"

namespace plumule::analysis {
namespace {

using Digest = std::array<unsigned char, crypto_hash_sha256_BYTES>;

std::string Hex(const Digest& digest) {
  return absl::BytesToHexString(
      absl::string_view(reinterpret_cast<const char*>(digest.data()), digest.size()));
}

}  // namespace

std::string Sha256Hex(absl::string_view bytes) {
  Digest digest;
  crypto_hash_sha256(digest.data(), reinterpret_cast<const unsigned char*>(bytes.data()),
                     bytes.size());
  return Hex(digest);
}

absl::StatusOr<std::string> Sha256HexOfFile(const std::string& path) {
  const int file = open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
  if (file < 0) return absl::ErrnoToStatus(errno, absl::StrCat("can't open ", path));
  crypto_hash_sha256_state state;
  crypto_hash_sha256_init(&state);
  std::vector<unsigned char> buffer(size_t{256} << 10);
  ssize_t got;
  while ((got = read(file, buffer.data(), buffer.size())) > 0 || (got < 0 && errno == EINTR)) {
    if (got > 0) {
      crypto_hash_sha256_update(&state, buffer.data(), static_cast<unsigned long long>(got));
    }
  }
  const int error = errno;
  close(file);
  if (got < 0) return absl::ErrnoToStatus(error, absl::StrCat("can't read ", path));
  Digest digest;
  crypto_hash_sha256_final(&state, digest.data());
  return Hex(digest);
}

}  // namespace plumule::analysis
