// The log's hash chain shows every change.
#include "server/log/chain.h"

#include <gtest/gtest.h>
#include <sodium.h>

#include <array>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "server/log/log_reader.h"
#include "server/protocol/reason.h"
#include "server/store/keys.h"
#include "server/store/memory_store.h"
#include "tests/unit/intake/placed_pair.h"

namespace plumule::intake {
namespace {

struct Entry {
  std::string bytes;
  std::string hash;
};

class Chain : public testing::Test {
 protected:
  Chain() {
    study_.StartPair();
    for (std::int64_t sequence = 1;; ++sequence) {
      const auto value = store_.Get(store::LogEntryKey(study_.name(), sequence)).value();
      if (!value) break;
      entries_.push_back({value->substr(32), value->substr(0, 32)});
    }
  }

  // The status of walking `entries`.
  static absl::Status Walk(const std::vector<Entry>& entries) {
    log::ChainVerifier verifier;
    for (const Entry& entry : entries) {
      const absl::Status status = verifier.Add(entry.bytes, entry.hash);
      if (!status.ok()) return status;
    }
    return absl::OkStatus();
  }

  PairStudy study_;
  store::MemoryStore& store_ = study_.store();
  std::vector<Entry> entries_;
};

// The formula of intake/v1/record.proto, computed with libsodium directly.
TEST_F(Chain, IsTheOneOfTheContract) {
  ASSERT_EQ(entries_.size(), 5u);
  std::string previous(32, '\0');
  for (const Entry& entry : entries_) {
    const std::string hashed = absl::StrCat("\x01", previous, entry.bytes);
    std::array<unsigned char, crypto_hash_sha256_BYTES> hash;
    crypto_hash_sha256(hash.data(), reinterpret_cast<const unsigned char*>(hashed.data()),
                       hashed.size());
    EXPECT_EQ(entry.hash, std::string(hash.begin(), hash.end()));
    previous = entry.hash;
  }
  EXPECT_TRUE(Walk(entries_).ok());
  EXPECT_TRUE(log::Verify(store_, study_.name()).ok());
}

TEST_F(Chain, ShowsAnyFlippedByteWithItsSequence) {
  for (std::size_t i = 0; i < entries_.size(); ++i) {
    for (std::size_t at = 0; at < entries_[i].bytes.size(); ++at) {
      std::vector<Entry> damaged = entries_;
      damaged[i].bytes[at] = static_cast<char>(damaged[i].bytes[at] ^ 0x20);
      const absl::Status status = Walk(damaged);
      ASSERT_EQ(status.code(), absl::StatusCode::kDataLoss) << i << " " << at;
      ASSERT_TRUE(absl::StrContains(std::string(status.message()), absl::StrCat(i + 1))) << status;
    }
  }
}

TEST_F(Chain, ShowsMissingSwappedAndAddedEntries) {
  std::vector<Entry> missing = entries_;
  missing.erase(missing.begin() + 2);
  EXPECT_EQ(ReasonOf(Walk(missing)), "log_damaged");
  std::vector<Entry> swapped = entries_;
  std::swap(swapped[1], swapped[2]);
  EXPECT_EQ(ReasonOf(Walk(swapped)), "log_damaged");
  std::vector<Entry> added = entries_;
  added.push_back(entries_.back());
  EXPECT_EQ(ReasonOf(Walk(added)), "log_damaged");
}

TEST_F(Chain, IsComparedWithTheHeadThatWasKept) {
  store::WriteBatch batch;
  batch.Delete(store::LogEntryKey(study_.name(), 5));
  ASSERT_TRUE(static_cast<store::Store&>(store_).Commit(batch).ok());
  EXPECT_EQ(ReasonOf(log::Verify(store_, study_.name()).status()), "log_damaged");
  EXPECT_EQ(ReasonOf(log::CheckHead(store_, study_.name()).status()), "log_damaged");
}

}  // namespace
}  // namespace plumule::intake
