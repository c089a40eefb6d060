#include "server/access/key_token.h"

#include <sodium.h>

#include <algorithm>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"

namespace plumule::access {
namespace {

constexpr absl::string_view kPrefix = "plu_";
constexpr std::size_t kIdLength = 8;
constexpr std::size_t kIdBytes = 5;
constexpr std::size_t kSecretLength = 43;
constexpr std::size_t kTokenLength = kPrefix.size() + kIdLength + 1 + kSecretLength;
// RFC 4648 base32, in lower case.
constexpr absl::string_view kBase32 = "abcdefghijklmnopqrstuvwxyz234567";
constexpr absl::string_view kHashDomain = "plumule key 1";

std::string Base32(std::span<const std::uint8_t, kIdBytes> bytes) {
  std::uint64_t bits = 0;
  for (const std::uint8_t byte : bytes) bits = (bits << 8) | byte;
  std::string text(kIdLength, ' ');
  for (std::size_t i = 0; i < kIdLength; ++i) {
    text[kIdLength - 1 - i] = kBase32[(bits >> (5 * i)) & 31];
  }
  return text;
}

}  // namespace

KeyToken MakeKeyToken(Randomness& randomness) {
  std::array<std::uint8_t, kIdBytes> id;
  KeyToken token;
  randomness.Fill(id);
  randomness.Fill(token.secret);
  token.id = Base32(id);
  return token;
}

std::string FormatKeyToken(const KeyToken& token) {
  std::array<char, kSecretLength + 1> secret;
  sodium_bin2base64(secret.data(), secret.size(), token.secret.data(), token.secret.size(),
                    sodium_base64_VARIANT_URLSAFE_NO_PADDING);
  return absl::StrCat(kPrefix, token.id, "_", secret.data());
}

bool IsKeyId(absl::string_view id) {
  return id.size() == kIdLength && std::all_of(id.begin(), id.end(), [](char c) {
           return kBase32.find(c) != absl::string_view::npos;
         });
}

std::optional<KeyToken> ParseKeyToken(absl::string_view text) {
  if (text.size() != kTokenLength || !absl::StartsWith(text, kPrefix)) return std::nullopt;
  text.remove_prefix(kPrefix.size());
  if (!IsKeyId(text.substr(0, kIdLength)) || text[kIdLength] != '_') return std::nullopt;
  KeyToken token;
  token.id = std::string(text.substr(0, kIdLength));
  const absl::string_view secret = text.substr(kIdLength + 1);
  std::size_t written = 0;
  const char* end = nullptr;
  const int failed =
      sodium_base642bin(token.secret.data(), token.secret.size(), secret.data(), secret.size(),
                        nullptr, &written, &end, sodium_base64_VARIANT_URLSAFE_NO_PADDING);
  if (failed != 0 || written != token.secret.size() || end != secret.data() + secret.size()) {
    return std::nullopt;
  }
  return token;
}

SecretHash HashSecret(const KeyToken& token) {
  SecretHash hash;
  crypto_hash_sha256_state state;
  crypto_hash_sha256_init(&state);
  crypto_hash_sha256_update(&state, reinterpret_cast<const unsigned char*>(kHashDomain.data()),
                            kHashDomain.size());
  crypto_hash_sha256_update(&state, token.secret.data(), token.secret.size());
  crypto_hash_sha256_final(&state, hash.data());
  return hash;
}

bool SameHash(const SecretHash& a, const SecretHash& b) {
  return sodium_memcmp(a.data(), b.data(), a.size()) == 0;
}

}  // namespace plumule::access
