#include "clients/cpp/uuid.h"

#include <sodium.h>

#include <algorithm>
#include <cstdlib>

#include "absl/strings/escaping.h"
#include "absl/strings/str_cat.h"

namespace plumule::client {
namespace {

constexpr unsigned kRandomVersion = 4;
constexpr unsigned kNamedVersion = 8;

void Absorb(crypto_hash_sha256_state& state, absl::string_view name) {
  std::array<std::uint8_t, 8> length;
  for (std::size_t i = 0; i < length.size(); ++i) {
    length[i] = static_cast<std::uint8_t>(static_cast<std::uint64_t>(name.size()) >> (8 * i));
  }
  crypto_hash_sha256_update(&state, length.data(), length.size());
  crypto_hash_sha256_update(&state, reinterpret_cast<const std::uint8_t*>(name.data()),
                            name.size());
}

}  // namespace

std::string FormatUuid(std::array<std::uint8_t, 16> bytes, unsigned version) {
  bytes[6] = static_cast<std::uint8_t>((bytes[6] & 0x0f) | (version << 4));
  bytes[8] = static_cast<std::uint8_t>((bytes[8] & 0x3f) | 0x80);
  const std::string hex = absl::BytesToHexString(
      absl::string_view(reinterpret_cast<const char*>(bytes.data()), bytes.size()));
  const absl::string_view text = hex;
  return absl::StrCat(text.substr(0, 8), "-", text.substr(8, 4), "-", text.substr(12, 4), "-",
                      text.substr(16, 4), "-", text.substr(20));
}

std::string NewUuid() {
  if (sodium_init() < 0) std::abort();
  std::array<std::uint8_t, 16> bytes;
  randombytes_buf(bytes.data(), bytes.size());
  return FormatUuid(bytes, kRandomVersion);
}

std::string UuidOf(std::initializer_list<absl::string_view> names) {
  crypto_hash_sha256_state state;
  crypto_hash_sha256_init(&state);
  for (const absl::string_view name : names) Absorb(state, name);
  std::array<std::uint8_t, crypto_hash_sha256_BYTES> digest;
  crypto_hash_sha256_final(&state, digest.data());
  std::array<std::uint8_t, 16> bytes;
  std::copy_n(digest.begin(), bytes.size(), bytes.begin());
  return FormatUuid(bytes, kNamedVersion);
}

}  // namespace plumule::client
