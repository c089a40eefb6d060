// The secret that a person or program presents: its form, its making and its comparison.
//
//   plu_k3v7q2ma_Zm9vYmFy…            56 characters
//   │   │        └ 43 characters base64url: 32 random bytes, the secret
//   │   └ 8 characters of lower-case base32: 5 random bytes, the short id, no secret
//   └ so that a scanner for leaked secrets can recognize it
//
// A secret of 256 random bits needs no slow hash: guessing is hopeless at any speed.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>

#include "absl/strings/string_view.h"
#include "server/access/randomness.h"

namespace plumule::access {

// SHA-256 of a secret, the only form in which it is stored.
using SecretHash = std::array<std::uint8_t, 32>;

// A presented or newly made key.
struct KeyToken {
  // Short id under which the key is looked up.
  std::string id;
  // 32 bytes.
  std::array<std::uint8_t, 32> secret;
};

// Makes a key from 37 random bytes.
KeyToken MakeKeyToken(Randomness& randomness);

// The 56 characters that are shown once.
std::string FormatKeyToken(const KeyToken& token);

// Reads what FormatKeyToken writes; nothing for any other text.
std::optional<KeyToken> ParseKeyToken(absl::string_view text);

// True for 8 characters of lower-case base32.
bool IsKeyId(absl::string_view id);

// SHA-256 over a fixed prefix and the secret.
SecretHash HashSecret(const KeyToken& token);

// Compares without telling by its duration where the first difference is.
bool SameHash(const SecretHash& a, const SecretHash& b);

}  // namespace plumule::access
