#include "server/protocol/civil_date.h"

#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

namespace plumule::protocol {
namespace {

TEST(CivilDate, ReadsIsoDatesAndNothingElse) {
  EXPECT_EQ(ParseDate("2027-03-04"), absl::CivilDay(2027, 3, 4));
  EXPECT_EQ(ParseDate("0001-01-01"), absl::CivilDay(1, 1, 1));
  EXPECT_EQ(ParseDate("9999-12-31"), absl::CivilDay(9999, 12, 31));
  for (const char* text :
       {"", "2027", "2027-3-4", "27-03-04", "2027/03/04", "04.03.2027", "2027-03-04 ",
        " 2027-03-04", "2027-03-04T00:00", "+027-03-04", "2027-0a-04", "0000-01-01", "20270304"}) {
    EXPECT_FALSE(ParseDate(text).has_value()) << text;
  }
}

// Gregorian rule: every fourth year, not every hundredth, but every four hundredth (ISO 8601).
TEST(CivilDate, KnowsWhichDaysExist) {
  EXPECT_TRUE(ParseDate("2028-02-29").has_value());
  EXPECT_TRUE(ParseDate("2000-02-29").has_value());
  EXPECT_FALSE(ParseDate("1900-02-29").has_value());
  EXPECT_FALSE(ParseDate("2027-02-29").has_value());
  EXPECT_FALSE(ParseDate("2027-02-30").has_value());
  EXPECT_FALSE(ParseDate("2027-04-31").has_value());
  EXPECT_FALSE(ParseDate("2027-13-01").has_value());
  EXPECT_FALSE(ParseDate("2027-00-01").has_value());
  EXPECT_FALSE(ParseDate("2027-01-00").has_value());
}

TEST(CivilDate, ExplainsADayThatDoesNotExist) {
  const DateFault fault = ExplainDate("2027-02-30");
  EXPECT_EQ(fault.reason, "date_impossible");
  EXPECT_EQ(fault.what, "\"2027-02-30\" is not a day: February 2027 has 28 days");
}

TEST(CivilDate, OffersBothReadingsOfAnAmbiguousDate) {
  const DateFault fault = ExplainDate("04/03/2027");
  EXPECT_EQ(fault.reason, "date_order");
  EXPECT_EQ(fault.remedy, "write 2027-04-03 or 2027-03-04, whichever you mean");
}

TEST(CivilDate, OffersTheOneReadingThatExists) {
  EXPECT_EQ(ExplainDate("31/12/2027").remedy, "write 2027-12-31 if you mean 31 Dec 2027");
  EXPECT_EQ(ExplainDate("12/31/2027").remedy, "write 2027-12-31 if you mean 31 Dec 2027");
  EXPECT_EQ(ExplainDate("5.5.27").remedy, "write 2027-05-05 if you mean 5 May 2027");
  EXPECT_EQ(ExplainDate("2027/3/4").remedy, "write 2027-03-04 or 2027-04-03, whichever you mean");
  EXPECT_EQ(ExplainDate("2027-31-12").remedy,
            "the month comes before the day: write 2027-12-31 if you mean 31 Dec 2027");
  EXPECT_EQ(ExplainDate("2027-31-12").reason, "date_impossible");
}

TEST(CivilDate, SaysWhatATextIsThatIsNoDate) {
  EXPECT_EQ(ExplainDate("").reason, "date_missing");
  EXPECT_EQ(ExplainDate("soon").reason, "not_a_date");
  EXPECT_EQ(ExplainDate("99/99/2027").reason, "not_a_date");
  EXPECT_EQ(ExplainDate("1/2/3/4").reason, "not_a_date");
}

TEST(CivilDate, SpellsDaysSoThatNobodyMisreadsThem) {
  EXPECT_EQ(SpellDate(absl::CivilDay(2027, 3, 4)), "4 Mar 2027");
}

RC_GTEST_PROP(CivilDate, ComesBackFromItsOwnText, ()) {
  const int days = *rc::gen::inRange(-719162, 2932897);  // 0001-01-01 to 9999-12-31
  const absl::CivilDay day = absl::CivilDay(1970, 1, 1) + days;
  RC_ASSERT(ParseDate(FormatDate(day)) == day);
}

RC_GTEST_PROP(CivilDate, IsReadOnlyFromTheTextThatItWrites, (const std::string& text)) {
  const absl::optional<absl::CivilDay> day = ParseDate(text);
  RC_ASSERT((!day || FormatDate(*day) == text));
}

RC_GTEST_PROP(CivilDate, ExplainsAnyOtherText, (const std::string& text)) {
  const DateFault fault = ExplainDate(text);
  RC_ASSERT(!fault.what.empty());
  RC_ASSERT(!fault.remedy.empty());
}

}  // namespace
}  // namespace plumule::protocol
