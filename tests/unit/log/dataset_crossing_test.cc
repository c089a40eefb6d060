// What the three columns of a threshold say of each way in which a unit can fare. All units start
// on 2 March; `tall` is read off the looks (50 mm), `rooted` is reported or read off them (more
// than 0 roots), `visible` is reported only, and not for arm `low`.
#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "tests/unit/log/dataset_study.h"

namespace plumule::log {
namespace {

class DatasetCrossing : public testing::Test {
 protected:
  DatasetCrossing() {
    study_.Send({make_.Joined("g"), make_.BlockStarted("g", "b")});
    Start("u", "high");
  }

  void Start(const std::string& unit, const std::string& arm) {
    study_.Send({make_.UnitStarted("b", unit, arm, "2027-03-02")});
  }
  void Look(const std::string& day, double millimeters) {
    study_.Send({make_.Observed("b", "u", day, {Number("shoot", millimeters, "mm")})});
  }
  void LookAtRoots(const std::string& day, int roots) {
    study_.Send({make_.Observed("b", "u", day, {Number("shoot", 1, "mm"), Count("roots", roots)})});
  }
  void Report(const std::string& threshold, const std::string& day,
              const std::string& not_yet = "") {
    study_.Send({make_.Reached("b", "u", threshold, day, not_yet)});
  }
  void Lose(const std::string& cause, const std::string& day) {
    study_.Send({make_.Lost("b", "u", cause, day)});
  }
  // Closes the study and reads the dataset.
  const Dataset& Closed() {
    if (!dataset_) {
      study_.Close();
      dataset_ = study_.Open();
    }
    return *dataset_;
  }
  std::string Crossing(const std::string& threshold) {
    return CrossingIn(Closed(), "u", threshold);
  }

  RecordMaker make_;
  DatasetStudy study_;
  std::unique_ptr<Dataset> dataset_;
};

TEST_F(DatasetCrossing, LiesBetweenTheLastLookBelowAndTheFirstLookAtTheTarget) {
  Look("2027-03-09", 20);
  study_.Send({make_.Observed("b", "u", "2027-03-12", {Number("shoot", 4.9, "cm")})});
  study_.Send({make_.Observed("b", "u", "2027-03-16", {Number("shoot", 5, "cm")})});
  Look("2027-03-23", 70);
  EXPECT_EQ(Crossing("tall"), "10 14 reached");
}

TEST_F(DatasetCrossing, BeginsAtTheStartIfTheFirstLookIsBeyond) {
  Look("2027-03-09", 80);
  EXPECT_EQ(Crossing("tall"), "0 7 reached");
}

TEST_F(DatasetCrossing, IsTheDayOfStartIfItWasBeyondThen) {
  Look("2027-03-02", 80);
  EXPECT_EQ(Crossing("tall"), "0 0 reached");
}

TEST_F(DatasetCrossing, IsTheFirstEvenIfLaterLooksFallBelow) {
  Look("2027-03-09", 20);
  Look("2027-03-16", 60);
  Look("2027-03-20", 40);
  Look("2027-03-23", 60);
  EXPECT_EQ(Crossing("tall"), "7 14 reached");
}

TEST_F(DatasetCrossing, IsTheVeryDayOnWhichOneLookIsBelowAndAnotherBeyond) {
  Look("2027-03-09", 60);
  Look("2027-03-09", 40);
  EXPECT_EQ(Crossing("tall"), "7 7 reached");
}

TEST_F(DatasetCrossing, IsKnownNotToHaveHappenedUntilTheLastLook) {
  Look("2027-03-09", 20);
  Look("2027-03-16", 30);
  EXPECT_EQ(Crossing("tall"), "14 - not_reached");
}

TEST_F(DatasetCrossing, IsKnownNotToHaveHappenedAtTheStartOfAUnitWithoutLooks) {
  EXPECT_EQ(Crossing("tall"), "0 - not_reached");
  EXPECT_EQ(Crossing("rooted"), "0 - not_reached");
  EXPECT_EQ(Crossing("visible"), "0 - not_reached");
}

TEST_F(DatasetCrossing, CountsTheClosingDayAndNoLookAfterIt) {
  Look("2027-06-30", 30);
  const Judgement late =
      study_.SendOne(make_.Observed("b", "u", "2027-07-01", {Number("shoot", 60, "mm")}));
  EXPECT_EQ(late.outcome(), intake::v1::OUTCOME_REFUSED);
  EXPECT_EQ(Crossing("tall"), "120 - not_reached");
}

TEST_F(DatasetCrossing, OfALookThatDoesNotAnswerIsNotKnown) {
  LookAtRoots("2027-03-09", 0);
  Look("2027-03-16", 10);
  EXPECT_EQ(Crossing("rooted"), "7 - not_reached");
  EXPECT_EQ(Crossing("tall"), "14 - not_reached");
}

TEST_F(DatasetCrossing, IsTheReportedDay) {
  Report("visible", "2027-03-12");
  EXPECT_EQ(Crossing("visible"), "10 10 reached");
}

TEST_F(DatasetCrossing, ReportedWithADayBeforeLiesBetween) {
  Report("visible", "2027-03-12", "2027-03-10");
  EXPECT_EQ(Crossing("visible"), "8 10 reached");
}

TEST_F(DatasetCrossing, OfAReportedThresholdIsNotReadOffLooks) {
  study_.Send(
      {make_.Observed("b", "u", "2027-03-09", {Number("shoot", 1, "mm"), YesNo("seen", false)}),
       make_.Observed("b", "u", "2027-03-12", {Number("shoot", 1, "mm"), YesNo("seen", true)})});
  EXPECT_EQ(Crossing("visible"), "7 - not_reached");
}

TEST_F(DatasetCrossing, ReportedAndSeenAlikeIsTheReported) {
  LookAtRoots("2027-03-09", 0);
  LookAtRoots("2027-03-16", 3);
  Report("rooted", "2027-03-12", "2027-03-10");
  EXPECT_EQ(Crossing("rooted"), "8 10 reached");
  EXPECT_EQ(Closed().Counts()->deviations_size(), 0);
}

TEST_F(DatasetCrossing, ReportedAndSeenOtherwiseIsTheReportedWithADeviation) {
  LookAtRoots("2027-03-09", 0);
  LookAtRoots("2027-03-16", 3);
  Report("rooted", "2027-03-20");
  EXPECT_EQ(Crossing("rooted"), "18 18 reached");
  EXPECT_EQ(CellIn(Closed(), "u", "in_primary"), "yes");
  const auto counts = Closed().Counts();
  ASSERT_EQ(counts->deviations_size(), 1);
  EXPECT_EQ(counts->deviations(0).rule(), "crossing_disagrees");
  EXPECT_EQ(counts->deviations(0).units(), 1);
}

TEST_F(DatasetCrossing, IsReadOffLooksWhereEitherWouldDoAndNobodyReported) {
  LookAtRoots("2027-03-09", 0);
  LookAtRoots("2027-03-16", 3);
  EXPECT_EQ(Crossing("rooted"), "7 14 reached");
}

TEST_F(DatasetCrossing, OfALostUnitIsKnownNotToHaveHappenedUntilThen) {
  Look("2027-03-09", 20);
  Lose("rotted", "2027-03-14");
  EXPECT_EQ(Crossing("tall"), "12 - lost_biological");
  EXPECT_EQ(Crossing("rooted"), "12 - lost_biological");
  EXPECT_EQ(Crossing("visible"), "12 - lost_biological");
}

TEST_F(DatasetCrossing, TellsAccidentsFromOtherLosses) {
  Lose("eaten", "2027-03-14");
  EXPECT_EQ(Crossing("tall"), "12 - lost_incidental");
}

TEST_F(DatasetCrossing, BeforeALossCounts) {
  Look("2027-03-09", 20);
  Look("2027-03-16", 60);
  Report("visible", "2027-03-18");
  Lose("rotted", "2027-03-18");
  EXPECT_EQ(Crossing("tall"), "7 14 reached");
  EXPECT_EQ(Crossing("visible"), "16 16 reached");
  EXPECT_EQ(Crossing("rooted"), "16 - lost_biological");
}

TEST_F(DatasetCrossing, AfterALossIsDisregardedAndTheUnitLeavesThePrimarySet) {
  Look("2027-03-09", 20);
  Lose("rotted", "2027-03-14");
  Look("2027-03-16", 60);
  Report("visible", "2027-03-18");
  EXPECT_EQ(Crossing("tall"), "12 - lost_biological");
  EXPECT_EQ(Crossing("visible"), "12 - lost_biological");
  EXPECT_EQ(CellIn(Closed(), "u", "in_primary"), "no");
}

TEST_F(DatasetCrossing, IsMissingWhereTheThresholdIsNotForTheArm) {
  Start("v", "low");
  EXPECT_EQ(CrossingIn(Closed(), "v", "visible"), "- - -");
  EXPECT_EQ(CrossingIn(Closed(), "v", "tall"), "0 - not_reached");
  EXPECT_EQ(Crossing("visible"), "0 - not_reached");
}

TEST_F(DatasetCrossing, ComparesOrderedChoicesByTheirOrder) {
  study_.Send({make_.Observed("b", "u", "2027-03-05",
                              {Number("shoot", 1, "mm"), Choice("callus", {"none"})}),
               make_.Observed("b", "u", "2027-03-10",
                              {Number("shoot", 1, "mm"), Choice("callus", {"full"})})});
  EXPECT_EQ(Crossing("callused"), "3 8 reached");
}

}  // namespace
}  // namespace plumule::log
