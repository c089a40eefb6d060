// What the calendar says of a record. The study opens on 2027-03-01, takes starts until 2027-03-20
// and three days more, closes on 2027-06-30 and has 14 days of grace, in Lisbon's time.
#include <gtest/gtest.h>

#include "tests/unit/intake/open_study.h"

namespace plumule::intake {
namespace {

class Calendar : public testing::Test {
 protected:
  v1::Judgement Start(const std::string& day) {
    return study_.Judge(make_.UnitStarted("b", absl::StrCat("u", ++units_), "low", day));
  }
  v1::Judgement Look(const std::string& day, const Actor& actor = kGrowers) {
    return study_.Judge(make_.Observed("b", "c", day, {Number("shoot", 10, "mm")}), actor);
  }
  bool IsLookTaken(const std::string& day) { return ReasonsOf(Look(day)).empty(); }

  OpenStudy study_;
  RecordMaker& make_ = study_.make;
  int units_ = 0;
};

TEST_F(Calendar, AStartBeforeOpeningIsRefused) {
  study_.StartPair();
  EXPECT_EQ(ReasonsOf(Start("2027-02-28")), "before_opening");
  EXPECT_EQ(ReasonsOf(Start("2027-03-01")), "");
}

TEST_F(Calendar, AStartBeyondTheToleranceIsADeviation) {
  study_.StartPair();
  EXPECT_EQ(DeviationsOf(Start("2027-03-23")), "");
  EXPECT_EQ(DeviationsOf(Start("2027-03-24")), "late_start");
}

TEST(StrictCalendar, RefusesLateStartsWhereTheProtocolSaysSo) {
  study::v1::Protocol definition = OpenStudy::Definition();
  definition.mutable_calendar()->set_refuse_late_starts(true);
  OpenStudy study(definition);
  study.StartPair();
  EXPECT_EQ(ReasonsOf(study.Judge(study.make.UnitStarted("b", "u", "low", "2027-03-24"))),
            "late_start");
}

TEST_F(Calendar, TomorrowMayHaveBegunSomewhere) {
  study_.StartPair();
  EXPECT_TRUE(IsLookTaken("2027-04-16"));
  EXPECT_EQ(ReasonsOf(Look("2027-04-17")), "in_the_future");
}

TEST_F(Calendar, ALookFromAfterTheClosingDayIsRefused) {
  study_.StartPair();
  study_.SetToday(absl::CivilDay(2027, 7, 5));
  EXPECT_TRUE(IsLookTaken("2027-06-30"));
  EXPECT_EQ(ReasonsOf(Look("2027-07-01")), "after_closing");
}

TEST_F(Calendar, AfterTheGraceOnlyAnOrganizerMayEnterEarlierLooks) {
  study_.StartPair();
  study_.SetToday(absl::CivilDay(2027, 7, 14));
  EXPECT_TRUE(IsLookTaken("2027-03-12"));
  study_.SetToday(absl::CivilDay(2027, 7, 15));
  EXPECT_EQ(ReasonsOf(Look("2027-03-13")), "after_grace");
  EXPECT_EQ(DeviationsOf(Look("2027-03-13", kOrganizer)), "late_entry");
  study_.ExpectSound();
}

TEST_F(Calendar, AGrowerMayLeaveOnAnyDay) {
  study_.StartPair();
  study_.SetToday(absl::CivilDay(2027, 8, 1));
  v1::Record withdrew = make_.Withdrew("g", false);
  withdrew.set_happened_on("2027-08-01");
  EXPECT_EQ(study_.Judge(withdrew).outcome(), v1::OUTCOME_TAKEN);
}

TEST_F(Calendar, JoiningAndStartingABlockHaveNoFirstDay) {
  v1::Record joined = make_.Joined("early");
  joined.set_happened_on("2026-12-01");
  study_.Take({joined});
}

// It is noon in UTC: already the next day at the eastern edge of the calendar, one o'clock at night
// of the same day at the western.
class TimeZones : public testing::Test {
 protected:
  static study::v1::Protocol In(const std::string& zone) {
    study::v1::Protocol definition = OpenStudy::Definition();
    definition.mutable_calendar()->set_time_zone(zone);
    return definition;
  }
  static std::string Look(OpenStudy& study, const std::string& day) {
    return ReasonsOf(study.Judge(study.make.Observed("b", "c", day, {Number("shoot", 1, "mm")})));
  }
};

TEST_F(TimeZones, TomorrowIsThatOfTheStudysPlace) {
  OpenStudy east(In("Pacific/Kiritimati"));
  east.StartPair();
  EXPECT_EQ(Look(east, "2027-04-17"), "");
  EXPECT_EQ(Look(east, "2027-04-18"), "in_the_future");
  OpenStudy west(In("Pacific/Pago_Pago"));
  west.StartPair();
  EXPECT_EQ(Look(west, "2027-04-16"), "");
  EXPECT_EQ(Look(west, "2027-04-17"), "in_the_future");
}

TEST_F(TimeZones, TheGraceEndsWithTheDayOfTheStudysPlace) {
  OpenStudy east(In("Pacific/Kiritimati"));
  OpenStudy west(In("Pacific/Pago_Pago"));
  for (OpenStudy* study : {&east, &west}) {
    study->StartPair();
    study->SetToday(absl::CivilDay(2027, 7, 14));
  }
  EXPECT_EQ(Look(east, "2027-03-12"), "after_grace");
  EXPECT_EQ(Look(west, "2027-03-12"), "");
}

}  // namespace
}  // namespace plumule::intake
