#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "clients/cli/table/csv_writer.h"
#include "clients/cli/table/dataset_csv.h"
#include "clients/cli/table/table.h"
#include "server/analysis/table_builder.h"

namespace plumule::cli {
namespace {

using ::testing::ElementsAre;

TEST(CsvLine, QuotesWhatNeedsIt) {
  EXPECT_EQ(CsvLine({"a", "b,c", "say \"hi\"", "two\nlines", ""}),
            "a,\"b,c\",\"say \"\"hi\"\"\",\"two\nlines\",\n");
}

TEST(CsvLine, IsReadBackAsItWas) {
  const std::vector<std::string> cells = {"a;b", "x,y", "\"", "two\nlines"};
  const auto table = ParseTable("p,q,r,s\n" + CsvLine(cells), {.separator = ','});
  ASSERT_TRUE(table.ok());
  EXPECT_EQ(table->rows.at(0).cells, cells);
}

TEST(GuardedCell, PutsAnApostropheBeforeFormulas) {
  for (const char* formula : {"=1+1", "+1", "-1", "@x", "\tx"}) {
    EXPECT_EQ(GuardedCell(formula), std::string("'") + formula);
  }
  EXPECT_EQ(GuardedCell("b1"), "b1");
  EXPECT_EQ(GuardedCell(""), "");
}

TEST(DatasetCsv, WritesEveryTypeAndKeepsDigits) {
  using namespace analysis::v1;
  analysis::TableBuilder builder(
      {analysis::Column("block", COLUMN_TYPE_CODE),
       analysis::Column("day", COLUMN_TYPE_NUMBER, "d"),
       analysis::Column("roots", COLUMN_TYPE_COUNT), analysis::Column("sown", COLUMN_TYPE_DATE),
       analysis::Column("peeled", COLUMN_TYPE_YES_NO), analysis::Column("words", COLUMN_TYPE_TEXT)},
      /*rows_per_chunk=*/1);
  const double third = 1.0 / 3;
  ASSERT_TRUE(builder
                  .AddRow({std::string("b1"), -third, int64_t{3}, int64_t{20881}, true,
                           std::string("=SUM(A1)")})
                  .ok());
  ASSERT_TRUE(builder.AddRow({std::string("b1"), {}, {}, {}, {}, {}}).ok());
  const analysis::Table table = std::move(builder).Build();
  DatasetCsv csv;
  csv.Begin(table.schema);
  for (const auto& chunk : table.chunks) ASSERT_TRUE(csv.Add(chunk).ok());
  const auto back = ParseTable(std::move(csv).Text());
  ASSERT_TRUE(back.ok()) << back.status();
  EXPECT_THAT(back->columns, ElementsAre("block", "day", "roots", "sown", "peeled", "words"));
  EXPECT_EQ(std::stod(back->rows.at(0).cells[1]), -third);
  EXPECT_EQ(back->rows.at(0).cells[2], "3");
  EXPECT_EQ(back->rows.at(0).cells[3], "2027-03-04");
  EXPECT_EQ(back->rows.at(0).cells[4], "yes");
  EXPECT_EQ(back->rows.at(0).cells[5], "'=SUM(A1)");
  EXPECT_THAT(back->rows.at(1).cells, ElementsAre("b1", "", "", "", "", ""));
}

TEST(DatasetCsv, RefusesAChunkThatDoesNotFitItsSchema) {
  analysis::v1::DatasetSchema schema;
  *schema.add_columns() = analysis::Column("x", analysis::v1::COLUMN_TYPE_CODE);
  DatasetCsv csv;
  csv.Begin(schema);
  analysis::v1::DatasetChunk chunk;
  chunk.set_rows(1);
  chunk.add_columns()->add_codes(4);  // no such entry in the dictionary
  EXPECT_EQ(csv.Add(chunk).code(), absl::StatusCode::kDataLoss);
}

}  // namespace
}  // namespace plumule::cli
