#include "clients/cli/import/date_reading.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <initializer_list>
#include <string>
#include <vector>

namespace plumule::cli {
namespace {

using ::testing::AllOf;
using ::testing::HasSubstr;
using Verdict = DateEvidence::Verdict;

// Cells in rows 2, 3, 4 …
std::vector<PlacedCell> Cells(std::initializer_list<const char*> texts) {
  std::vector<PlacedCell> cells;
  int row = 2;
  for (const char* text : texts) cells.push_back({row++, text});
  return cells;
}

constexpr absl::CivilDay kFourthOfMarch(2027, 3, 4);

TEST(ReadDate, ReadsEachStatedOrder) {
  EXPECT_EQ(*ReadDate("04/03/2027", {DATE_ORDER_DAY_MONTH_YEAR}), kFourthOfMarch);
  EXPECT_EQ(*ReadDate("03/04/2027", {DATE_ORDER_MONTH_DAY_YEAR}), kFourthOfMarch);
  EXPECT_EQ(*ReadDate("2027.3.4", {DATE_ORDER_YEAR_MONTH_DAY}), kFourthOfMarch);
  EXPECT_EQ(*ReadDate("4. 3. 2027", {DATE_ORDER_DAY_MONTH_YEAR}), kFourthOfMarch);
  EXPECT_EQ(*ReadDate("4-3-2027", {DATE_ORDER_DAY_MONTH_YEAR}), kFourthOfMarch);
}

TEST(ReadDate, ReadsEnglishMonthNames) {
  for (const char* cell : {"4 Mar 2027", "4-Mar-2027", "4th March 2027", "Mar 4, 2027"}) {
    EXPECT_EQ(*ReadDate(cell, {DATE_ORDER_DAY_MONTH_YEAR}), kFourthOfMarch) << cell;
  }
}

TEST(ReadDate, ReadsIsoDatesWhateverTheOrder) {
  EXPECT_EQ(*ReadDate("2027-03-04", {DATE_ORDER_MONTH_DAY_YEAR}), kFourthOfMarch);
  EXPECT_EQ(*ReadDate("2027-03-04T00:00:00Z", {DATE_ORDER_DAY_MONTH_YEAR}), kFourthOfMarch);
}

TEST(ReadDate, DropsATimeOfDay) {
  EXPECT_EQ(*ReadDate("04/03/2027 00:00", {DATE_ORDER_DAY_MONTH_YEAR}), kFourthOfMarch);
  EXPECT_EQ(*ReadDate("03/04/2027 12:00:00 AM", {DATE_ORDER_MONTH_DAY_YEAR}), kFourthOfMarch);
}

TEST(ReadDate, ReadsCountsOfDays) {
  // Day 46085 of the 1900 system is 4 March 2026, 46450 a year later. Source: the published
  // definition of the 1900 date system (day 1 is 1 January 1900, with a 29 February 1900).
  EXPECT_EQ(*ReadDate("46450", {DATE_ORDER_SERIAL_1900}), kFourthOfMarch);
  EXPECT_EQ(*ReadDate("44988", {DATE_ORDER_SERIAL_1904}), kFourthOfMarch);
  EXPECT_EQ(*ReadDate("46450.75", {DATE_ORDER_SERIAL_1900}), kFourthOfMarch);
}

TEST(ReadDate, ReadsTwoDigitYearsOnlyWithACentury) {
  EXPECT_EQ(*ReadDate("04/03/27", {DATE_ORDER_DAY_MONTH_YEAR, 2000}), kFourthOfMarch);
  EXPECT_THAT(std::string(ReadDate("04/03/27", {DATE_ORDER_DAY_MONTH_YEAR}).status().message()),
              HasSubstr("year of two digits"));
}

TEST(ReadDate, SaysWhatIsWrongAndWhatToDo) {
  const DateForm form{DATE_ORDER_DAY_MONTH_YEAR};
  const auto words = [&](const char* cell) {
    return std::string(ReadDate(cell, form).status().message());
  };
  EXPECT_THAT(words("03/25/2027"), HasSubstr("does not fit day_month_year: 25 is no month"));
  EXPECT_THAT(words("31/04/2027"), HasSubstr("there is no 31 april 2027"));
  EXPECT_THAT(words("29/02/2027"), HasSubstr("there is no 29 february 2027"));
  EXPECT_THAT(words("03/2027"), HasSubstr("not a whole date"));
  EXPECT_THAT(words("early May"), HasSubstr("not a whole date"));
  EXPECT_THAT(words("46450"), HasSubstr("count of days"));
  EXPECT_THAT(words("4 mars 2027"), HasSubstr("not English"));
  EXPECT_THAT(std::string(ReadDate("03/04/2027", {}).status().message()),
              HasSubstr("several ways"));
}

TEST(WeighDates, RefusesToGuessWhenBothOrdersFit) {
  const auto evidence = WeighDates(Cells({"03/04/2027", "05/06/2027", "12/11/2027"}));
  EXPECT_EQ(evidence.verdict, Verdict::kAmbiguous);
  EXPECT_THAT(evidence.why,
              AllOf(HasSubstr("\"03/04/2027\" in row 2"), HasSubstr("3 Apr 2027"),
                    HasSubstr("4 Mar 2027"), HasSubstr("no row has a number above 12")));
}

TEST(WeighDates, IsSettledByOneRowAboveTwelve) {
  const auto day_first = WeighDates(Cells({"03/04/2027", "25/03/2027"}));
  EXPECT_EQ(day_first.verdict, Verdict::kSettled);
  EXPECT_EQ(day_first.order, DATE_ORDER_DAY_MONTH_YEAR);
  EXPECT_THAT(day_first.why, AllOf(HasSubstr("row 3"), HasSubstr("25 is no month")));
  const auto month_first = WeighDates(Cells({"03/04/2027", "03/25/2027"}));
  EXPECT_EQ(month_first.order, DATE_ORDER_MONTH_DAY_YEAR);
}

TEST(WeighDates, NamesTheRowsThatContradictEachOther) {
  const auto evidence = WeighDates(Cells({"25/03/2027", "03/04/2027", "03/26/2027"}));
  EXPECT_EQ(evidence.verdict, Verdict::kContradictory);
  EXPECT_THAT(evidence.why, AllOf(HasSubstr("row 2"), HasSubstr("row 4")));
}

TEST(WeighDates, LooksAtAllThreeOrdersWithTwoDigitYears) {
  const auto open = WeighDates(Cells({"03/04/05"}));
  EXPECT_EQ(open.verdict, Verdict::kAmbiguous);
  EXPECT_TRUE(open.two_digit_years);
  EXPECT_THAT(open.why, HasSubstr("5 Apr 2003"));
  const auto settled = WeighDates(Cells({"25/03/27", "26/03/27", "31/03/32", "30/04/27"}));
  EXPECT_EQ(settled.verdict, Verdict::kSettled);
  EXPECT_EQ(settled.order, DATE_ORDER_DAY_MONTH_YEAR);
}

TEST(WeighDates, DoesNotTakeAnAmbiguousTwoDigitYearForSettled) {
  // 25/03/27 may be 25 March 2027 or 27 March 2025.
  EXPECT_EQ(WeighDates(Cells({"25/03/27"})).verdict, Verdict::kAmbiguous);
}

TEST(WeighDates, KnowsIsoAndSpreadsheetCounts) {
  EXPECT_EQ(WeighDates(Cells({"2027-03-04", "2027-12-11"})).order, DATE_ORDER_YEAR_MONTH_DAY);
  const auto serial = WeighDates(Cells({"46450", "46451"}));
  EXPECT_EQ(serial.order, DATE_ORDER_SERIAL_1900);
  EXPECT_THAT(serial.why, HasSubstr("46450, is 4 Mar 2027"));
  EXPECT_EQ(WeighDates(Cells({"46450", "04/03/2027"})).verdict, Verdict::kContradictory);
}

TEST(WeighDates, IsSettledByMonthNames) {
  EXPECT_EQ(WeighDates(Cells({"4 Mar 2027", "11 Dec 2027"})).order, DATE_ORDER_DAY_MONTH_YEAR);
  EXPECT_EQ(WeighDates(Cells({"Mar 4, 2027"})).order, DATE_ORDER_MONTH_DAY_YEAR);
  EXPECT_EQ(WeighDates(Cells({"4 mars 2027", "5 mars 2027"})).verdict, Verdict::kOtherLanguage);
}

TEST(WeighDates, SetsAsideWhatIsNoDateInAnyOrder) {
  const auto evidence = WeighDates(Cells({"25/03/2027", "31/04/2027", "soon", "26/03/2027"}));
  EXPECT_EQ(evidence.verdict, Verdict::kSettled);
  ASSERT_EQ(evidence.strange.size(), 2U);
  EXPECT_EQ(evidence.strange[0].row, 3);
  EXPECT_EQ(evidence.strange[1].text, "soon");
}

TEST(WeighDates, DoesNotTakeNumbersOrWordsForDates) {
  EXPECT_EQ(WeighDates(Cells({"12", "14.5", "9"})).verdict, Verdict::kNoDates);
  EXPECT_EQ(WeighDates(Cells({"water", "soil"})).verdict, Verdict::kNoDates);
  EXPECT_EQ(WeighDates({}).verdict, Verdict::kNoDates);
}

TEST(WeighDates, AcceptsDatesThatReadTheSameEitherWay) {
  EXPECT_EQ(WeighDates(Cells({"04/04/2027", "05/05/2027"})).verdict, Verdict::kSettled);
}

TEST(DateOrderName, ReadsBackWhatItWrites) {
  for (const DateOrder order : {DATE_ORDER_YEAR_MONTH_DAY, DATE_ORDER_DAY_MONTH_YEAR,
                                DATE_ORDER_MONTH_DAY_YEAR, DATE_ORDER_SERIAL_1900}) {
    EXPECT_EQ(*ParseDateOrder(DateOrderName(order)), order);
  }
  EXPECT_FALSE(ParseDateOrder("ymd").ok());
}

}  // namespace
}  // namespace plumule::cli
