// What every Store promises.
#include <gtest/gtest.h>

#include <functional>
#include <memory>
#include <thread>

#include "absl/strings/str_cat.h"
#include "server/protocol/reason.h"
#include "server/store/keys.h"
#include "server/store/memory_store.h"
#include "server/store/rocksdb/rocksdb_store.h"
#include "server/store/store.h"
#include "tests/unit/store/scratch_directory.h"

namespace plumule::store {
namespace {

using Pairs = std::vector<std::pair<std::string, std::string>>;

Pairs ScanAll(const Reader& reader, const KeyRange& range) {
  Pairs pairs;
  EXPECT_TRUE(reader
                  .Scan(range,
                        [&](absl::string_view key, absl::string_view value) {
                          pairs.emplace_back(key, value);
                          return true;
                        })
                  .ok());
  return pairs;
}

void Put(Store& store, std::string key, std::string value) {
  WriteBatch batch;
  batch.Put(std::move(key), std::move(value));
  ASSERT_TRUE(store.Commit(batch).ok());
}

std::unique_ptr<Store> OpenMemory(const ScratchDirectory&) {
  return std::make_unique<MemoryStore>();
}
std::unique_ptr<Store> OpenRocks(const ScratchDirectory& scratch) {
  return OpenRocksDbStore(scratch.path()).value();
}

using Opener = std::unique_ptr<Store> (*)(const ScratchDirectory&);

class StoreContract : public testing::TestWithParam<Opener> {
 protected:
  ScratchDirectory scratch_;
  std::unique_ptr<Store> store_ = GetParam()(scratch_);
};

INSTANTIATE_TEST_SUITE_P(Stores, StoreContract, testing::Values(&OpenMemory, &OpenRocks),
                         [](const auto& tested) {
                           return tested.index == 0 ? "Memory" : "RocksDb";
                         });

TEST_P(StoreContract, ReadsBackWhatWasCommittedAndNothingElse) {
  Put(*store_, "a", std::string("one\0two", 7));
  EXPECT_EQ(store_->Get("a").value(), std::string("one\0two", 7));
  EXPECT_EQ(store_->Get("b").value(), std::nullopt);
}

TEST_P(StoreContract, AnEmptyValueIsNotAMissingOne) {
  Put(*store_, "a", "");
  EXPECT_EQ(store_->Get("a").value(), "");
}

TEST_P(StoreContract, TheLastWriteOfAKeyInABatchCounts) {
  WriteBatch batch;
  batch.Put("a", "1");
  batch.Delete("a");
  batch.Put("b", "1");
  batch.Put("b", "2");
  ASSERT_TRUE(store_->Commit(batch).ok());
  EXPECT_EQ(store_->Get("a").value(), std::nullopt);
  EXPECT_EQ(store_->Get("b").value(), "2");
}

TEST_P(StoreContract, ScansInBytewiseOrderWithinItsRange) {
  for (const char* key : {"b\xff", "a", "b", "c", "b\x01"}) Put(*store_, key, key);
  EXPECT_EQ(ScanAll(*store_, PrefixRange("b")),
            (Pairs{{"b", "b"}, {"b\x01", "b\x01"}, {"b\xff", "b\xff"}}));
  EXPECT_EQ(ScanAll(*store_, {.start = "b\x01", .end = "c"}).size(), 2u);
  EXPECT_EQ(ScanAll(*store_, {.start = "b\xff", .end = ""}).size(), 2u);
}

TEST_P(StoreContract, AScanStopsAtItsLimitAndWhenToldTo) {
  for (int i = 0; i < 9; ++i) Put(*store_, absl::StrCat("k", i), "");
  EXPECT_EQ(ScanAll(*store_, PrefixRange("k", 4)).size(), 4u);
  int seen = 0;
  ASSERT_TRUE(store_->Scan(PrefixRange("k"), [&](auto, auto) { return ++seen < 3; }).ok());
  EXPECT_EQ(seen, 3);
}

TEST_P(StoreContract, ASnapshotDoesNotSeeLaterCommits) {
  Put(*store_, "a", "before");
  const auto snapshot = store_->TakeSnapshot();
  Put(*store_, "a", "after");
  Put(*store_, "b", "after");
  EXPECT_EQ(snapshot->Get("a").value(), "before");
  EXPECT_EQ(snapshot->Get("b").value(), std::nullopt);
  EXPECT_EQ(ScanAll(*snapshot, PrefixRange("a")).size(), 1u);
  EXPECT_EQ(store_->Get("a").value(), "after");
}

TEST_P(StoreContract, AFailedPreconditionWritesNothing) {
  Put(*store_, "version", "1");
  WriteBatch batch;
  batch.Put("x", "new");
  const absl::Status status = store_->Commit(batch, {{"version", "2"}});
  EXPECT_EQ(status.code(), absl::StatusCode::kAborted);
  EXPECT_EQ(ReasonOf(status), "precondition_failed");
  EXPECT_EQ(store_->Get("x").value(), std::nullopt);
  EXPECT_TRUE(store_->trusted());
  EXPECT_FALSE(store_->Commit(batch, {{"version", std::nullopt}}).ok());
  EXPECT_TRUE(store_->Commit(batch, {{"version", "1"}, {"x", std::nullopt}}).ok());
}

TEST_P(StoreContract, OfManyWhoWantTheSameKeyExactlyOneGetsIt) {
  std::atomic<int> winners = 0;
  std::vector<std::thread> threads;
  for (int i = 0; i < 8; ++i) {
    threads.emplace_back([&, i] {
      WriteBatch batch;
      batch.Put("seat", absl::StrCat(i));
      if (store_->Commit(batch, {{"seat", std::nullopt}}).ok()) ++winners;
    });
  }
  for (std::thread& thread : threads) thread.join();
  EXPECT_EQ(winners, 1);
}

TEST_P(StoreContract, AnEmptyStoreTakesTheLayoutAndKeepsIt) {
  EXPECT_TRUE(CheckLayout(*store_).ok());
  EXPECT_EQ(store_->Get(LayoutKey()).value(), "1");
  EXPECT_TRUE(CheckLayout(*store_).ok());
}

TEST_P(StoreContract, RefusesAnUnknownLayout) {
  Put(*store_, LayoutKey(), "2");
  const absl::Status status = CheckLayout(*store_);
  EXPECT_EQ(ReasonOf(status), "layout_unknown");
  EXPECT_EQ(status.code(), absl::StatusCode::kFailedPrecondition);
}

TEST(MemoryStore, RefusesAStoreWithKeysButNoLayout) {
  MemoryStore store;
  Put(store, "something", "");
  EXPECT_EQ(ReasonOf(CheckLayout(store)), "layout_unknown");
}

}  // namespace
}  // namespace plumule::store
