#include "clients/cli/local/unit_file.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>

namespace plumule::cli {
namespace {

using ::testing::Contains;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::StartsWith;

constexpr char kHead[] = "block,unit,arm,up_lower,up_upper,up_status\n";

std::vector<std::string> Problems(const std::string& csv, const UnitFileOptions& options = {}) {
  const auto table = ParseTable(csv);
  EXPECT_TRUE(table.ok()) << table.status();
  ProblemList problems;
  const auto file = ReadUnits(*table, options, &problems);
  EXPECT_EQ(file.has_value(), problems.empty());
  return problems.Lines();
}

UnitFile Read(const std::string& csv, const UnitFileOptions& options = {}) {
  const auto table = ParseTable(csv);
  ProblemList problems;
  auto file = ReadUnits(*table, options, &problems);
  EXPECT_THAT(problems.Lines(), IsEmpty());
  return file ? *std::move(file) : UnitFile{};
}

TEST(UnitFile, ReadsAUnitTableInTheContractsColumnsAndOrder) {
  const UnitFile file = Read(
      "unit,arm,block,dose,light,up_lower,up_upper,up_status\n"
      "u2,off,b2,100,lamp,3,5.5,reached\n"
      "u1,control,b10,0,sill,12,,not_reached\n"
      "u1,off,b2,100,,0,,lost_biological\n");
  std::vector<std::string> columns;
  for (const auto& column : file.units.schema.columns()) columns.push_back(column.name());
  EXPECT_THAT(columns, ElementsAre("block", "unit", "arm", "dose", "in_primary", "light",
                                   "up_lower", "up_upper", "up_status"));
  EXPECT_THAT(file.units.schema.thresholds(), ElementsAre("up"));
  EXPECT_EQ(file.units.schema.rows(), 3);
  // Ordered by block, then unit, bytewise: "b10" before "b2".
  ASSERT_EQ(file.keys.size(), 3U);
  EXPECT_EQ(file.keys[0].first, "b10");
  EXPECT_EQ(file.keys[1].second, "u1");
  const auto& chunk = file.units.chunks.at(0);
  EXPECT_THAT(chunk.columns(6).numbers(), ElementsAre(12, 0, 3));
  EXPECT_EQ(chunk.columns(7).numbers(2), 5.5);
  // One bit a row: only the third row has an upper day.
  ASSERT_EQ(chunk.columns(7).validity().size(), 1U);
  EXPECT_EQ(chunk.columns(7).validity()[0] & 7, 4);
  ASSERT_EQ(file.protocol.arms_size(), 2);
  EXPECT_EQ(file.protocol.arms(0).id(), "control");
  EXPECT_EQ(file.protocol.arms(0).role(), study::v1::ARM_ROLE_CONTROL);
  EXPECT_EQ(file.protocol.arms(1).dose().amount().value(), 100);
}

TEST(UnitFile, InfersTheTypesOfVariables) {
  const UnitFile file = Read(
      "block,unit,arm,leaves,mass,sown,peeled,place\n"
      "b,u1,control,3,1.5,2027-03-04,yes,sill\n"
      "b,u2,other,4,2,2027-03-05,no,\n");
  std::vector<analysis::v1::ColumnType> types;
  for (const auto& column : file.units.schema.columns()) types.push_back(column.type());
  using namespace analysis::v1;
  EXPECT_THAT(types, ElementsAre(COLUMN_TYPE_CODE, COLUMN_TYPE_CODE, COLUMN_TYPE_CODE,
                                 COLUMN_TYPE_YES_NO, COLUMN_TYPE_COUNT, COLUMN_TYPE_NUMBER,
                                 COLUMN_TYPE_DATE, COLUMN_TYPE_YES_NO, COLUMN_TYPE_CODE));
}

TEST(UnitFile, LeavesOutColumnsThatCanBeNoVariableAndSaysSo) {
  const UnitFile file = Read("block,unit,arm,Grower name\nb,u1,control,x\nb,u2,other,y\n");
  EXPECT_THAT(file.notes, ElementsAre(HasSubstr("Grower name")));
}

TEST(UnitFile, NamesMissingColumns) {
  EXPECT_THAT(Problems("block,unit,up_lower,up_status\nb,u,0,reached\n"),
              ElementsAre(StartsWith("row 1: column \"arm\" is missing; the headings are: block"),
                          StartsWith("row 1: column \"up_upper\" is missing")));
}

TEST(UnitFile, NamesRowAndColumnOfEveryWrongCell) {
  EXPECT_THAT(
      Problems(std::string(kHead) + "b1,u1,control,x,5,reached\n"    // 2: not a number
                                    "b1,u2,off,3,\"2,5\",reached\n"  // 3: decimal comma
                                    "b1,u3,off,-1,5,reached\n"       // 4: below 0
                                    "b1,u4,off,6,5,reached\n"        // 5: upper below lower
                                    "b1,u5,off,6,,reached\n"         // 6: reached without upper
                                    "b1,u6,off,6,9,not_reached\n"    // 7: not reached with upper
                                    "b1,u7,off,6,,dead\n"            // 8: unknown status
                                    "b1,u8,off,,9,reached\n"         // 9: no lower
                                    "b1,,off,0,9,reached\n"          // 10: no unit
                                    "b1,u1,off,0,9,reached\n"        // 11: twice
                                    "b1,u9,off,0,NA,reached\n"       // 12: not a number
                                    "b1,u10,off,0,9,\n"),            // 13: no status
      ElementsAre(
          "row 2, column \"up_lower\" (D): \"x\" is not a number; give days from the unit's start, "
          "0 "
          "or more",
          HasSubstr("row 3, column \"up_upper\" (E): \"2,5\" is written with another decimal mark"),
          "row 4, column \"up_lower\" (D): -1 is below 0; give days from the unit's start, 0 or "
          "more",
          "row 5, column \"up_upper\" (E): 5 is below the lower day 6; swap or mend them",
          HasSubstr("row 6, column \"up_upper\" (E): is empty but the status is reached"),
          HasSubstr("row 7, column \"up_upper\" (E): 9 contradicts the status not_reached"),
          HasSubstr("row 8, column \"up_status\" (F): \"dead\" is not known; write reached"),
          HasSubstr("row 9, column \"up_lower\" (D): is empty"),
          HasSubstr("row 10, column \"unit\" (B): is empty"),
          HasSubstr("row 11, column \"unit\" (B): unit \"u1\" of block \"b1\" is in row 2 already"),
          HasSubstr("row 12, column \"up_upper\" (E): \"NA\" is not a number"),
          HasSubstr("row 13, column \"up_status\" (F): is empty")));
}

TEST(UnitFile, ListsTheArmsIfNoneIsTheControl) {
  const std::string csv = std::string(kHead) + "b,u1,water,0,1,reached\nb,u2,soil,0,1,reached\n";
  EXPECT_THAT(Problems(csv),
              ElementsAre("no arm is named control; choose one with --control: water, soil"));
  EXPECT_THAT(Problems(csv, {.control = "sand"}),
              ElementsAre("no arm is named \"sand\"; choose one with --control: water, soil"));
  EXPECT_THAT(Problems(csv, {.control = "soil"}), IsEmpty());
}

TEST(UnitFile, RefusesASingleArmAndAnEmptyTable) {
  EXPECT_THAT(Problems(std::string(kHead) + "b,u1,control,0,1,reached\n"),
              ElementsAre(HasSubstr("only one arm")));
  EXPECT_THAT(Problems(kHead), ElementsAre(HasSubstr("no rows")));
}

TEST(UnitFile, WantsOneDoseAnArm) {
  const std::string head = "block,unit,arm,dose\n";
  EXPECT_THAT(
      Problems(head + "b,u1,control,0\nb,u2,x,5\nb,u3,x,6\nb,u4,x,\n"),
      ElementsAre(HasSubstr("row 4, column \"dose\" (D): 6 is not the dose of arm \"x\" in row 3"),
                  HasSubstr("row 5, column \"dose\" (D): is empty")));
}

TEST(UnitFile, ReportsRaggedRows) {
  EXPECT_THAT(Problems(std::string(kHead) + "b,u1,control,0,1\n"),
              Contains(HasSubstr("row 2: has 5 cells, the headings are 6")));
}

TEST(UnitFile, ShowsFiftyProblemsAndCountsTheRest) {
  std::string csv = kHead;
  for (int i = 0; i < 70; ++i) csv += "b,u" + std::to_string(i) + ",control,x,,not_reached\n";
  const auto lines = Problems(csv);
  ASSERT_EQ(lines.size(), 51U);
  // 70 cells, and the single arm.
  EXPECT_EQ(lines.back(), "… and 21 more");
}

TEST(UnitFile, ReadsDecimalCommasWhenStated) {
  UnitFileOptions comma;
  comma.decimal_mark = ',';
  const UnitFile file = Read(
      "block;unit;arm;up_lower;up_upper;up_status\n"
      "b;u1;control;1,5;2,5;reached\nb;u2;x;1;;not_reached\n",
      comma);
  EXPECT_EQ(file.units.chunks.at(0).columns(4).numbers(0), 1.5);
}

TEST(LookFile, ReadsLooksOrderedByUnitAndDay) {
  UnitFile units = Read("block,unit,arm\nb1,u1,control\nb1,u2,x\n");
  const auto table = ParseTable("block,unit,day,height\nb1,u2,3,1.5\nb1,u1,10,2.5\nb1,u1,9,2\n");
  ProblemList problems;
  const auto looks = ReadLooks(*table, '.', &units, &problems);
  EXPECT_THAT(problems.Lines(), IsEmpty());
  ASSERT_TRUE(looks.has_value());
  EXPECT_THAT(looks->chunks.at(0).columns(2).numbers(), ElementsAre(9, 10, 3));
  EXPECT_EQ(units.protocol.variables(0).scope(), study::v1::SCOPE_OBSERVATION);
}

TEST(LookFile, NamesRowAndColumnOfEveryWrongCell) {
  UnitFile units = Read("block,unit,arm\nb1,u1,control\nb1,u2,x\n");
  const auto table =
      ParseTable("block,unit,day,height\nb1,u9,3,1\nb1,u1,soon,2\nb1,u1,4,2\nb1,u1,4,3\n");
  ProblemList problems;
  EXPECT_FALSE(ReadLooks(*table, '.', &units, &problems).has_value());
  EXPECT_THAT(problems.Lines(),
              ElementsAre(HasSubstr("row 2, column \"unit\" (B): there is no unit \"u9\""),
                          HasSubstr("row 3, column \"day\" (C): \"soon\" is no day"),
                          HasSubstr("row 5, column \"day\" (C): is a second look")));
}

}  // namespace
}  // namespace plumule::cli
