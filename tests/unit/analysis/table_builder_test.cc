#include "server/analysis/table_builder.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <limits>

#include "absl/strings/str_cat.h"

namespace plumule::analysis {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

const std::monostate kMissing;

TEST(TableBuilder, LaysOutEveryTypeOfColumnAndMissingValues) {
  TableBuilder builder({Column("arm", v1::COLUMN_TYPE_CODE), Column("dose", v1::COLUMN_TYPE_NUMBER),
                        Column("leaves", v1::COLUMN_TYPE_COUNT), Column("on", v1::COLUMN_TYPE_DATE),
                        Column("peeled", v1::COLUMN_TYPE_YES_NO),
                        Column("remark", v1::COLUMN_TYPE_TEXT)});
  ASSERT_TRUE(builder
                  .AddRow({std::string("water"), 0.5, std::int64_t{3}, std::int64_t{20000}, true,
                           std::string("fine")})
                  .ok());
  ASSERT_TRUE(builder.AddRow({kMissing, kMissing, kMissing, kMissing, kMissing, kMissing}).ok());
  ASSERT_TRUE(
      builder.AddRow({std::string("soil"), -1.0, std::int64_t{4}, kMissing, false, std::string("")})
          .ok());
  const Table table = std::move(builder.WithDoseUnit("mg/L").WithThresholds({"rooted"})).Build();

  EXPECT_EQ(table.schema.rows(), 3);
  EXPECT_EQ(table.schema.dose_unit(), "mg/L");
  EXPECT_THAT(table.schema.thresholds(), ElementsAre("rooted"));
  ASSERT_EQ(table.chunks.size(), 1U);
  const v1::DatasetChunk& chunk = table.chunks[0];
  EXPECT_EQ(chunk.rows(), 3);
  EXPECT_THAT(chunk.columns(0).dictionary(), ElementsAre("water", "soil"));
  EXPECT_THAT(chunk.columns(0).codes(), ElementsAre(0, 0, 1));
  EXPECT_EQ(chunk.columns(0).validity(), "\x05");
  EXPECT_THAT(chunk.columns(1).numbers(), ElementsAre(0.5, 0, -1));
  EXPECT_THAT(chunk.columns(2).counts(), ElementsAre(3, 0, 4));
  EXPECT_EQ(chunk.columns(3).validity(), "\x01");
  EXPECT_THAT(chunk.columns(4).flags(), ElementsAre(true, false, false));
  EXPECT_THAT(chunk.columns(5).texts(), ElementsAre("fine", "", ""));
}

TEST(TableBuilder, LeavesTheBitmapEmptyWhereNothingIsMissing) {
  TableBuilder builder({Column("dose", v1::COLUMN_TYPE_NUMBER)});
  for (int i = 0; i < 20; ++i) ASSERT_TRUE(builder.AddRow({1.0}).ok());
  EXPECT_EQ(std::move(builder).Build().chunks[0].columns(0).validity(), "");
}

TEST(TableBuilder, MarksRowsBeyondTheFirstByteOfTheBitmap) {
  TableBuilder builder({Column("dose", v1::COLUMN_TYPE_NUMBER)});
  for (int i = 0; i < 20; ++i) {
    ASSERT_TRUE(builder.AddRow({i == 9 || i == 19 ? Cell(kMissing) : Cell(1.0)}).ok());
  }
  EXPECT_EQ(std::move(builder).Build().chunks[0].columns(0).validity(), "\xff\xfd\x07");
}

TEST(TableBuilder, CountsDictionariesOnAcrossChunks) {
  TableBuilder builder({Column("arm", v1::COLUMN_TYPE_CODE)}, 2);
  for (const char* arm : {"a", "b", "b", "c", "a"})
    ASSERT_TRUE(builder.AddRow({std::string(arm)}).ok());
  const Table table = std::move(builder).Build();
  ASSERT_EQ(table.chunks.size(), 3U);
  EXPECT_THAT(table.chunks[1].columns(0).codes(), ElementsAre(1, 2));
  EXPECT_THAT(table.chunks[1].columns(0).dictionary(), ElementsAre("c"));
  EXPECT_THAT(table.chunks[2].columns(0).codes(), ElementsAre(0));
  EXPECT_THAT(table.chunks[2].columns(0).dictionary(), ElementsAre());
}

TEST(TableBuilder, KeepsChunksOfLongTextsBelowTheLimitOfBytes) {
  TableBuilder builder({Column("remark", v1::COLUMN_TYPE_TEXT)});
  for (int i = 0; i < 400; ++i) ASSERT_TRUE(builder.AddRow({std::string(60000, 'x')}).ok());
  const Table table = std::move(builder).Build();
  EXPECT_GT(table.chunks.size(), 1U);
  for (const v1::DatasetChunk& chunk : table.chunks) {
    EXPECT_LE(chunk.ByteSizeLong(), kMaxChunkBytes);
  }
}

TEST(TableBuilder, RefusesWhatDoesNotFitAndAddsNothing) {
  TableBuilder builder(
      {Column("arm", v1::COLUMN_TYPE_CODE), Column("dose", v1::COLUMN_TYPE_NUMBER)});
  const auto refused = [&](std::vector<Cell> cells) {
    return std::string(builder.AddRow(cells).message());
  };
  EXPECT_THAT(refused({std::string("a")}), HasSubstr("1 cells for 2 columns"));
  EXPECT_THAT(refused({std::string("a"), std::string("b")}), HasSubstr("column `dose`"));
  EXPECT_THAT(refused({std::string("a"), std::numeric_limits<double>::infinity()}),
              HasSubstr("not finite"));
  EXPECT_THAT(refused({std::string("\xff"), 1.0}), HasSubstr("not UTF-8"));
  EXPECT_THAT(refused({std::string(70000, 'x'), 1.0}), HasSubstr("longer than 64 KiB"));
  EXPECT_EQ(std::move(builder).Build().schema.rows(), 0);
}

TEST(MemoryDataset, GivesEveryChunkOnce) {
  TableBuilder builder({Column("arm", v1::COLUMN_TYPE_CODE)}, 2);
  for (int i = 0; i < 3; ++i) ASSERT_TRUE(builder.AddRow({std::string("a")}).ok());
  MemoryDataset data(std::move(builder).Build());
  EXPECT_EQ(data.looks(), nullptr);
  v1::DatasetChunk chunk;
  EXPECT_TRUE(*data.units().Next(&chunk));
  EXPECT_EQ(chunk.rows(), 2);
  EXPECT_TRUE(*data.units().Next(&chunk));
  EXPECT_EQ(chunk.rows(), 1);
  EXPECT_FALSE(*data.units().Next(&chunk));
}

}  // namespace
}  // namespace plumule::analysis
