#include "clients/cli/table/table.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>
#include <vector>

namespace plumule::cli {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

Table Parsed(absl::string_view text) {
  auto table = ParseTable(text);
  EXPECT_TRUE(table.ok()) << table.status();
  return table.ok() ? *std::move(table) : Table{};
}

TEST(Table, FindsEachSeparatorThatSpreadsheetsWrite) {
  for (const char separator : {',', ';', '\t', '|'}) {
    std::string text = "block;unit;arm\nb1;u1;water\n";
    for (char& c : text) {
      if (c == ';') c = separator;
    }
    const Table table = Parsed(text);
    EXPECT_EQ(table.separator, separator);
    EXPECT_THAT(table.columns, ElementsAre("block", "unit", "arm"));
    ASSERT_EQ(table.rows.size(), 1U);
    EXPECT_THAT(table.rows[0].cells, ElementsAre("b1", "u1", "water"));
  }
}

TEST(Table, IsNotMisledByDecimalCommas) {
  const Table table = Parsed("block;height\nb1;12,5\nb2;3,25\n");
  EXPECT_EQ(table.separator, ';');
  EXPECT_EQ(table.rows[0].cells[1], "12,5");
}

TEST(Table, SaysHowItWasRead) {
  const Table table = Parsed("a;b\n1;2\n3;4\n");
  EXPECT_THAT(table.reading,
              ElementsAre(HasSubstr("UTF-8"),
                          HasSubstr("separated by semicolon: 3 of the 3 rows have 2 cells")));
}

TEST(Table, ObeysALineThatNamesTheSeparatorAndKeepsRowNumbers) {
  const Table table = Parsed("sep=|\r\na|b\r\n1|2\r\n");
  EXPECT_EQ(table.separator, '|');
  EXPECT_EQ(table.heading_row, 2);
  EXPECT_EQ(table.rows[0].number, 3);
}

TEST(Table, ReadsQuotedCellsWithSeparatorsQuotesAndLineBreaks) {
  const Table table = Parsed("a,b\n\"x, y\",\"he said \"\"hi\"\"\"\n\"two\r\nlines\",2\nlast,3\n");
  EXPECT_EQ(table.rows[0].cells[0], "x, y");
  EXPECT_EQ(table.rows[0].cells[1], "he said \"hi\"");
  EXPECT_EQ(table.rows[1].cells[0], "two\nlines");
  // A cell with a line break is one row of the spreadsheet.
  EXPECT_EQ(table.rows[2].number, 4);
}

TEST(Table, KeepsTheSpreadsheetsRowNumbersPastBlankRows) {
  const Table table = Parsed("\n\na,b\n1,2\n,\n\n3,4");
  EXPECT_EQ(table.heading_row, 3);
  ASSERT_EQ(table.rows.size(), 2U);
  EXPECT_EQ(table.rows[0].number, 4);
  EXPECT_EQ(table.rows[1].number, 7);
}

TEST(Table, ReadsAllThreeLineEnds) {
  for (const char* text : {"a,b\n1,2\n3,4\n", "a,b\r\n1,2\r\n3,4\r\n", "a,b\r1,2\r3,4\r"}) {
    const Table table = Parsed(text);
    ASSERT_EQ(table.rows.size(), 2U) << text;
    EXPECT_EQ(table.rows[1].cells[1], "4");
    EXPECT_EQ(table.rows[1].number, 3);
  }
}

TEST(Table, ReportsRaggedRowsWithTheirNumber) {
  const Table table = Parsed("a,b,c\n1,2,3\n1,2\n1,2,3,4\n1,2,3,,\n");
  ASSERT_EQ(table.problems.size(), 2U);
  EXPECT_EQ(
      table.problems[0].Words(table),
      "row 3: has 2 cells, the headings are 3; is the row cut off, or another separator used?");
  EXPECT_THAT(table.problems[1].Words(table), HasSubstr("row 4: has 4 cells"));
}

TEST(Table, ReportsRepeatedHeadings) {
  const Table table = Parsed("a,b,a\n1,2,3\n");
  ASSERT_EQ(table.problems.size(), 1U);
  EXPECT_EQ(table.problems[0].Words(table),
            "row 1, column \"a\" (A): two columns, A and C, have this heading; rename one of them");
}

TEST(Table, RemovesSpacesAroundCellsNoBreakSpacesToo) {
  const Table table = Parsed(" a ,b\n x y ,\xC2\xA0z\xC2\xA0\n");
  EXPECT_THAT(table.columns, ElementsAre("a", "b"));
  EXPECT_THAT(table.rows[0].cells, ElementsAre("x y", "z"));
}

TEST(Table, RefusesAnEmptyFile) {
  for (const char* text : {"", "\n\n", "\xEF\xBB\xBF", " , \n"}) {
    EXPECT_THAT(std::string(ParseTable(text).status().message()), HasSubstr("empty")) << text;
  }
}

TEST(Table, NamesTheCellWhoseQuotationMarkIsNeverClosed) {
  const auto table = ParseTable("a,b\n1,2\n3,\"four\n5,6\n");
  ASSERT_FALSE(table.ok());
  EXPECT_EQ(table.status().message(),
            "row 3, column B: a quotation mark is opened and never closed");
}

TEST(Table, BoundsTheSizeOfACell) {
  EXPECT_TRUE(ParseTable("a,b\n" + std::string(32767, 'x') + ",1\n").ok());
  const auto table = ParseTable("a,b\n" + std::string(32768, 'x') + ",1\n");
  ASSERT_FALSE(table.ok());
  EXPECT_THAT(std::string(table.status().message()), HasSubstr("row 2, column A"));
}

TEST(Table, StopsEarlyAtAQuotationMarkThatSwallowsTheFile) {
  const auto table = ParseTable("a,b\n\"1," + std::string(3 << 20, 'x'));
  ASSERT_FALSE(table.ok());
  EXPECT_THAT(std::string(table.status().message()), HasSubstr("not closed within"));
}

TEST(Table, RefusesTooManyColumns) { EXPECT_FALSE(ParseTable(std::string(2001, ',') + "\n").ok()); }

TEST(Table, NamesColumnsLikeASpreadsheet) {
  EXPECT_EQ(ColumnLetters(0), "A");
  EXPECT_EQ(ColumnLetters(25), "Z");
  EXPECT_EQ(ColumnLetters(26), "AA");
  EXPECT_EQ(ColumnLetters(701), "ZZ");
  EXPECT_EQ(ColumnLetters(702), "AAA");
}

TEST(Table, NamesTheFileThatIsNotThere) {
  const auto table = ReadTable("no-such-file.csv");
  EXPECT_THAT(std::string(table.status().message()),
              HasSubstr("no-such-file.csv: can't be opened"));
}

}  // namespace
}  // namespace plumule::cli
