// Large datasets: made from states that are written straight into the store.
#include <gtest/gtest.h>

#include <cstdio>
#include <ctime>
#include <functional>
#include <string>
#include <vector>

#include "absl/strings/str_format.h"
#include "server/log/block_walk.h"
#include "server/log/days.h"
#include "server/log/state.pb.h"
#include "server/store/keys.h"
#include "server/store/rocksdb/rocksdb_store.h"
#include "tests/unit/log/dataset_study.h"
#include "tests/unit/store/scratch_directory.h"

namespace plumule::log {
namespace {

const std::int32_t kStart = DayNumber(absl::CivilDay(2027, 3, 2));

void Say(Fact* fact, int day) {
  fact->set_record_id("00000000-0000-4000-8000-000000000000");
  fact->set_revision(1);
  fact->set_day(kStart + day);
}

// A look a day, at which a unit has grown 10 mm.
void AddLooks(int looks, UnitState* unit) {
  for (int day = 1; day <= looks; ++day) {
    Fact* look = unit->add_looks();
    Say(look, day);
    Answer* shoot = look->add_answers();
    shoot->set_variable("shoot");
    shoot->set_number(10 * day);
  }
}

// Writes `blocks` of one grower each.
void WriteBlocks(int blocks, int units, const store::StudyName& study,
                 const std::function<void(UnitState*)>& fill, store::Store* store) {
  store::WriteBatch batch;
  for (int b = 0; b < blocks; ++b) {
    const std::string id = absl::StrFormat("b%06d", b);
    GrowerState grower;
    Say(grower.mutable_joined(), 0);
    grower.add_blocks(id);
    batch.Put(store::GrowerKey(study, id), grower.SerializeAsString());
    BlockState block;
    block.set_grower(id);
    Say(block.mutable_started(), 0);
    for (int u = 0; u < units; ++u) {
      const std::string unit_id = absl::StrFormat("u%04d", u);
      block.add_units(unit_id);
      UnitState unit;
      Say(unit.mutable_started(), 0);
      unit.mutable_started()->set_code(u % 2 == 0 ? "control" : "high");
      fill(&unit);
      batch.Put(store::UnitKey(study, id, unit_id), unit.SerializeAsString());
    }
    batch.Put(store::BlockKey(study, id), block.SerializeAsString());
  }
  ASSERT_TRUE(store->Commit(batch, {}, store::Durability::kBuffered).ok());
}

TEST(DatasetSize, OfOneBlockMayExceedAChunk) {
  DatasetStudy study;
  study.Close();
  std::size_t bytes = 0;
  WriteBlocks(
      2, 500, study.name(),
      [&](UnitState* unit) {
        AddLooks(60, unit);
        bytes += unit->ByteSizeLong();
      },
      &study.store());
  ASSERT_GT(bytes, std::size_t{2} << 20);
  const auto dataset = study.Open();
  const std::vector<std::string> units = PrintUnits(*dataset);
  ASSERT_EQ(units.size(), 1001U);
  for (std::size_t i = 1; i < units.size(); ++i) {
    // At 50 mm on the fifth day.
    EXPECT_NE(units[i].find(" 4 5 reached "), std::string::npos) << units[i];
  }
  const std::vector<std::string> looks = PrintLooks(*dataset);
  ASSERT_EQ(looks.size(), 1U + 1000 * 60);
  EXPECT_EQ(looks[60], "b000000 u0000 60 600 - - -");
  EXPECT_EQ(looks.back(), "b000001 u0499 60 600 - - -");
}

TEST(DatasetSize, OfAChunkKeepsWithinItsLimits) {
  study::v1::Protocol definition = DatasetDefinition();
  auto* words = definition.add_variables();
  words->set_id("words");
  words->mutable_label()->set_text("Anything else?");
  words->set_scope(study::v1::SCOPE_UNIT);
  words->mutable_text()->set_max_length(5000);
  DatasetStudy study(definition);
  study.Close();
  WriteBlocks(
      100, 20, study.name(),
      [](UnitState* unit) {
        Answer* answer = unit->mutable_started()->add_answers();
        answer->set_variable("words");
        answer->set_text(std::string(5000, 'x'));
      },
      &study.store());
  const ChunkLimits limits;
  const auto dataset = study.Open(0, limits);
  std::int64_t rows = 0;
  std::size_t chunks = 0;
  for (const auto& chunk : ReadChunks(**dataset->Units())) {
    EXPECT_LE(chunk.rows(), limits.rows);
    EXPECT_LE(chunk.ByteSizeLong(), limits.bytes);
    EXPECT_EQ(chunk.columns(0).validity(), "");
    rows += chunk.rows();
    ++chunks;
  }
  EXPECT_EQ(rows, 2000);
  EXPECT_GE(chunks, 5U);
}

TEST(DatasetSize, OfManyRowsIsCutAtTheLimitOfRows) {
  DatasetStudy study;
  study.Close();
  WriteBlocks(
      1000, 10, study.name(), [](UnitState* unit) { AddLooks(1, unit); }, &study.store());
  const auto dataset = study.Open();
  std::vector<int> rows;
  for (const auto& chunk : ReadChunks(**dataset->Looks())) rows.push_back(chunk.rows());
  EXPECT_EQ(rows, (std::vector<int>{8192, 1808}));
}

// Prints seconds of the processor only: machines differ.
TEST(DatasetSize, OfAHundredThousandUnitsIsReadFromADisk) {
  DatasetStudy study;
  study.Close();
  store::ScratchDirectory directory;
  auto store = store::OpenRocksDbStore(directory.path(), {});
  ASSERT_TRUE(store.ok()) << store.status();
  store::WriteBatch all;
  ASSERT_TRUE(study.store()
                  .Scan({},
                        [&](absl::string_view key, absl::string_view value) {
                          all.Put(std::string(key), std::string(value));
                          return true;
                        })
                  .ok());
  ASSERT_TRUE((*store)->Commit(all).ok());
  WriteBlocks(
      25'000, 4, study.name(), [](UnitState* unit) { AddLooks(6, unit); }, store->get());

  std::clock_t last = std::clock();
  const auto print = [&](const char* what) {
    std::printf("%-28s %6.3f s\n", what, double(std::clock() - last) / CLOCKS_PER_SEC);
    last = std::clock();
  };
  const auto read = [](DatasetReader& reader) {
    std::int64_t rows = 0;
    analysis::v1::DatasetChunk chunk;
    while (reader.Next(&chunk).value_or(false)) rows += chunk.rows();
    return rows;
  };
  last = std::clock();
  std::size_t bytes = 0;
  ASSERT_TRUE((*store)
                  ->Scan(store::PrefixRange(store::BlocksPrefix(study.name())),
                         [&](absl::string_view key, absl::string_view value) {
                           bytes += key.size() + value.size();
                           return true;
                         })
                  .ok());
  print("plain scan of the states");
  const auto dataset = Dataset::Open(**store, study.name(), 0);
  ASSERT_TRUE(dataset.ok()) << dataset.status();
  print("open");
  EXPECT_EQ(read(**(*dataset)->Units()), 100'000);
  print("100,000 units");
  EXPECT_EQ(read(**(*dataset)->Looks()), 600'000);
  print("600,000 looks");
  EXPECT_EQ((*dataset)->Counts()->excluded_size(), 0);
  print("counts");
  EXPECT_EQ(DigestOf(**dataset)->units, 100'000);
  print("digest of both");
  std::printf("%zu bytes of states\n", bytes);
}

}  // namespace
}  // namespace plumule::log
