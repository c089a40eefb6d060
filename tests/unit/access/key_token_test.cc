#include "server/access/key_token.h"

#include <gtest/gtest.h>

#include <set>

#include "tests/unit/access/counting_randomness.h"

namespace plumule::access {
namespace {

TEST(KeyToken, HasTheDocumentedForm) {
  CountingRandomness randomness;
  // Bytes 0 to 4 are the id, 5 to 36 the secret: RFC 4648 base32 and base64url of them.
  EXPECT_EQ(FormatKeyToken(MakeKeyToken(randomness)),
            "plu_aaaqeaye_BQYHCAkKCwwNDg8QERITFBUWFxgZGhscHR4fICEiIyQ");
}

TEST(KeyToken, IsReadBackAsItWasMade) {
  CountingRandomness randomness;
  for (int i = 0; i < 50; ++i) {
    const KeyToken made = MakeKeyToken(randomness);
    const auto read = ParseKeyToken(FormatKeyToken(made));
    ASSERT_TRUE(read.has_value());
    EXPECT_EQ(read->id, made.id);
    EXPECT_EQ(read->secret, made.secret);
  }
}

TEST(KeyToken, RefusesEveryOtherText) {
  CountingRandomness randomness;
  const std::string good = FormatKeyToken(MakeKeyToken(randomness));
  EXPECT_FALSE(ParseKeyToken("").has_value());
  for (std::size_t length = 0; length < good.size(); ++length) {
    EXPECT_FALSE(ParseKeyToken(good.substr(0, length)).has_value()) << length;
  }
  EXPECT_FALSE(ParseKeyToken(good + "A").has_value());
  for (const std::size_t place : {0u, 4u, 11u, 12u, 13u, 55u}) {
    std::string bad = good;
    bad[place] = '!';
    EXPECT_FALSE(ParseKeyToken(bad).has_value()) << bad;
  }
  // The last character holds two bits that must be zero: no second spelling of the same key.
  std::string other_spelling = good;
  other_spelling.back() = static_cast<char>(other_spelling.back() + 1);
  EXPECT_FALSE(ParseKeyToken(other_spelling).has_value());
}

TEST(KeyToken, HashesDifferWithTheSecretAndNotWithTheId) {
  CountingRandomness randomness;
  KeyToken token = MakeKeyToken(randomness);
  const SecretHash hash = HashSecret(token);
  token.id = "zzzzzzzz";
  EXPECT_TRUE(SameHash(hash, HashSecret(token)));
  token.secret[31] ^= 1;
  EXPECT_FALSE(SameHash(hash, HashSecret(token)));
}

TEST(SystemRandomness, MakesNoTwoAlike) {
  SystemRandomness randomness;
  std::set<std::string> seen;
  for (int i = 0; i < 100; ++i) seen.insert(FormatKeyToken(MakeKeyToken(randomness)));
  EXPECT_EQ(seen.size(), 100u);
}

}  // namespace
}  // namespace plumule::access
