// What the store says when the disk fails it.
#include <gtest/gtest.h>

#include "absl/strings/str_cat.h"
#include "server/protocol/reason.h"
#include "server/store/rocksdb/rocksdb_store.h"
#include "tests/unit/store/faulty_file_system.h"
#include "tests/unit/store/scratch_directory.h"

namespace plumule::store {
namespace {

using Fault = FaultyFileSystem::Fault;

absl::Status Put(Store& store, std::string key) {
  WriteBatch batch;
  batch.Put(std::move(key), "value");
  return store.Commit(batch);
}

class FailingDisk : public testing::TestWithParam<std::tuple<Fault, int>> {};

INSTANTIATE_TEST_SUITE_P(Faults, FailingDisk,
                         testing::Combine(testing::Values(Fault::kAppend, Fault::kSync,
                                                          Fault::kNoSpace),
                                          testing::Range(0, 6)));

TEST_P(FailingDisk, LosesTheStoresTrustForGoodAndNoAcknowledgedWrite) {
  const auto [fault, after] = GetParam();
  ScratchDirectory scratch;
  const auto file_system = std::make_shared<FaultyFileSystem>();
  const std::unique_ptr<rocksdb::Env> env = rocksdb::NewCompositeEnv(file_system);
  std::vector<std::string> acknowledged;
  {
    const auto store = OpenRocksDbStore(scratch.path(), {.env = env.get()}).value();
    file_system->FailAfter(fault, after);
    for (int i = 0; i < 10; ++i) {
      const std::string key = absl::StrCat("k", i);
      const absl::Status status = Put(*store, key);
      if (status.ok()) {
        acknowledged.push_back(key);
      } else {
        EXPECT_EQ(status.code(), absl::StatusCode::kUnavailable);
        EXPECT_EQ(ReasonOf(status), "outcome_unknown");
        EXPECT_FALSE(store->trusted());
      }
    }
    ASSERT_LT(acknowledged.size(), 10u) << "the fault did not happen";
    // The disk is well again: the store is not, until it is opened anew.
    file_system->FailAfter(Fault::kNone, 0);
    EXPECT_EQ(ReasonOf(Put(*store, "later")), "outcome_unknown");
  }
  const auto store = OpenRocksDbStore(scratch.path(), {.env = env.get()}).value();
  for (const std::string& key : acknowledged) EXPECT_EQ(store->Get(key).value(), "value");
  EXPECT_EQ(store->Get("later").value(), std::nullopt);
  EXPECT_TRUE(Put(*store, "again").ok());
}

TEST(FullDisk, IsRefusedBeforeAnythingIsWrittenAndTheStoreStaysUsable) {
  ScratchDirectory scratch;
  { ASSERT_TRUE(OpenRocksDbStore(scratch.path()).ok()); }
  const auto store =
      OpenRocksDbStore(scratch.path(), {.low_water_bytes = std::size_t{1} << 60}).value();
  const absl::Status status = Put(*store, "k");
  EXPECT_EQ(status.code(), absl::StatusCode::kResourceExhausted);
  EXPECT_EQ(ReasonOf(status), "store_full");
  EXPECT_EQ(store->Get("k").value(), std::nullopt);
  EXPECT_TRUE(store->trusted());
}

TEST(StoreInUse, IsSaidSo) {
  ScratchDirectory scratch;
  const auto store = OpenRocksDbStore(scratch.path()).value();
  EXPECT_EQ(ReasonOf(OpenRocksDbStore(scratch.path()).status()), "store_in_use");
}

}  // namespace
}  // namespace plumule::store
