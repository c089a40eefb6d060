// A damaged file is an error that names it, never a silent gap.
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "server/protocol/reason.h"
#include "server/store/rocksdb/rocksdb_store.h"
#include "tests/unit/store/scratch_directory.h"

namespace plumule::store {
namespace {

namespace fs = std::filesystem;

constexpr int kWrites = 200;

void WriteAll(const std::string& directory) {
  const auto store = OpenRocksDbStore(directory).value();
  for (int i = 0; i < kWrites; ++i) {
    WriteBatch batch;
    batch.Put(absl::StrCat("k", i), std::string(50, 'v'));
    ASSERT_TRUE(store->Commit(batch).ok());
  }
}

fs::path LargestLog(const std::string& directory) {
  fs::path largest;
  for (const auto& file : fs::directory_iterator(directory)) {
    if (file.path().extension() != ".log") continue;
    if (largest.empty() || fs::file_size(file) > fs::file_size(largest)) largest = file.path();
  }
  return largest;
}

void FlipByte(const fs::path& file, std::streamoff at) {
  std::fstream stream(file, std::ios::in | std::ios::out | std::ios::binary);
  stream.seekg(at);
  const char byte = static_cast<char>(stream.get() ^ 0x40);
  stream.seekp(at);
  stream.put(byte);
}

int CountAcknowledged(const Store& store) {
  int found = 0;
  for (int i = 0; i < kWrites; ++i) found += store.Get(absl::StrCat("k", i)).value().has_value();
  return found;
}

TEST(RocksDbDamage, AByteFlippedInTheMiddleOfTheLogIsRefusedAndNamed) {
  ScratchDirectory scratch;
  WriteAll(scratch.path());
  const fs::path log = LargestLog(scratch.path());
  FlipByte(log, static_cast<std::streamoff>(fs::file_size(log) / 2));
  const absl::Status status = OpenRocksDbStore(scratch.path()).status();
  EXPECT_EQ(status.code(), absl::StatusCode::kDataLoss);
  EXPECT_EQ(ReasonOf(status), "store_damaged");
  EXPECT_TRUE(absl::StrContains(status.message(), log.filename().string())) << status;
}

TEST(RocksDbDamage, NoFlippedByteOfTheLogLosesAWriteSilently) {
  ScratchDirectory scratch;
  WriteAll(scratch.path("whole"));
  // Up to the last record, whose damage can't be told from a crash during its write.
  const auto last_record =
      static_cast<std::streamoff>(fs::file_size(LargestLog(scratch.path("whole")))) - 80;
  int refused = 0;
  for (std::streamoff at = 0; at < last_record; at += 37) {
    fs::remove_all(scratch.path("copy"));
    fs::copy(scratch.path("whole"), scratch.path("copy"), fs::copy_options::recursive);
    FlipByte(LargestLog(scratch.path("copy")), at);
    const auto store = OpenRocksDbStore(scratch.path("copy"));
    if (!store.ok()) {
      EXPECT_EQ(ReasonOf(store.status()), "store_damaged");
      ++refused;
    } else {
      EXPECT_EQ(CountAcknowledged(**store), kWrites) << "byte " << at;
    }
  }
  EXPECT_GT(refused, 0);
}

TEST(RocksDbDamage, ATornLastWriteIsNotDamage) {
  ScratchDirectory scratch;
  WriteAll(scratch.path());
  const fs::path log = LargestLog(scratch.path());
  fs::resize_file(log, fs::file_size(log) - 20);
  const auto store = OpenRocksDbStore(scratch.path());
  ASSERT_TRUE(store.ok()) << store.status();
  EXPECT_EQ(CountAcknowledged(**store), kWrites - 1);
}

TEST(RocksDbDamage, AnUnknownLayoutIsRefused) {
  ScratchDirectory scratch;
  {
    const auto store = OpenRocksDbStore(scratch.path()).value();
    WriteBatch batch;
    batch.Put("@", "99");
    ASSERT_TRUE(store->Commit(batch).ok());
  }
  EXPECT_EQ(ReasonOf(OpenRocksDbStore(scratch.path()).status()), "layout_unknown");
}

}  // namespace
}  // namespace plumule::store
