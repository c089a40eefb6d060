// Rules that need more than one record, and the findings that every study has.
#include <gtest/gtest.h>

#include "absl/strings/str_cat.h"
#include "tests/unit/intake/placed_pair.h"

namespace plumule::intake {
namespace {

study::v1::Protocol WithRule(const std::string& id,
                             const std::function<void(study::v1::Rule*)>& change) {
  study::v1::Protocol definition = OpenStudy::Definition();
  for (study::v1::Rule& rule : *definition.mutable_rules()) {
    if (rule.id() == id) change(&rule);
  }
  return definition;
}

v1::Record Look(OpenStudy& study, const std::string& day, Values values) {
  return study.make.Observed("b", "c", day, std::move(values));
}
Values Shoot(double mm) { return {Number("shoot", mm, "mm")}; }
Values Roots(int count) { return {Number("shoot", 1, "mm"), Count("roots", count)}; }

TEST(Rules, NotBeforeComparesTwoCrossings) {
  OpenStudy study;
  study.StartPair();
  study.Take({Look(study, "2027-03-12", Shoot(60))});
  EXPECT_EQ(Short(study.Judge(study.make.Reached("b", "c", "rooted", "2027-03-15"))),
            "refused happened_on:rule_broken");
  study.Take({study.make.Reached("b", "c", "rooted", "2027-03-12")});
}

TEST(Rules, NotBeforeLooksBothWays) {
  OpenStudy study;
  study.StartPair();
  study.Take({study.make.Reached("b", "c", "rooted", "2027-03-15")});
  EXPECT_EQ(Short(study.Judge(Look(study, "2027-03-12", Shoot(60)))),
            "refused happened_on:rule_broken");
  study.Take({Look(study, "2027-03-15", Shoot(60))});
}

TEST(Rules, WithinDaysHoldsAtItsLimitOnEitherSide) {
  OpenStudy study;
  study.Take({study.make.Joined("g"), study.make.BlockStarted("g", "b")});
  int unit = 0;
  const auto start = [&](const std::string& taken_on) {
    return Short(study.Judge(study.make.UnitStarted("b", absl::StrCat("u", ++unit), "low",
                                                    "2027-03-10", {Date("taken_on", taken_on)})));
  };
  EXPECT_EQ(start("2027-03-07"), "deviation fresh");
  EXPECT_EQ(start("2027-03-08"), "taken");
  EXPECT_EQ(start("2027-03-12"), "taken");
  EXPECT_EQ(start("2027-03-13"), "deviation fresh");
}

TEST(Rules, SameAcrossArmsMayAskForOneStartDay) {
  OpenStudy study(WithRule("same_origin", [](study::v1::Rule* rule) {
    rule->mutable_same_across_arms()->clear_variable();
    rule->mutable_same_across_arms()->set_start_day(true);
  }));
  study.StartPair();
  EXPECT_EQ(Short(study.Judge(study.make.UnitStarted("b", "l", "low", "2027-03-11"))),
            "deviation same_origin");
  // Told once: a fourth unit on either day makes nothing worse.
  EXPECT_EQ(Short(study.Judge(study.make.UnitStarted("b", "l2", "low", "2027-03-11"))), "taken");
  EXPECT_EQ(Short(study.Judge(study.make.UnitStarted("b", "l3", "low", "2027-03-12"))),
            "deviation same_origin");
  study.ExpectSound();
}

TEST(Rules, SameAcrossArmsMayRefuse) {
  OpenStudy study(WithRule("same_origin", [](study::v1::Rule* rule) {
    rule->set_outcome(study::v1::RULE_OUTCOME_REFUSE);
  }));
  study.Take(
      {study.make.Joined("g"), study.make.BlockStarted("g", "b"),
       study.make.UnitStarted("b", "c", "control", "2027-03-10", {Choice("origin", {"own"})})});
  EXPECT_EQ(Short(study.Judge(study.make.UnitStarted("b", "h", "high", "2027-03-10",
                                                     {Choice("origin", {"bought"})}))),
            "refused unit_started.values[origin]:rule_broken");
  // Units that leave the answer open don't differ.
  study.Take({study.make.UnitStarted("b", "h", "high", "2027-03-10")});
}

TEST(Rules, MonotoneComparesNeighborsInTimeHoweverTheyCome) {
  OpenStudy study;
  study.StartPair();
  study.Take({Look(study, "2027-03-12", Shoot(10)), Look(study, "2027-03-16", Shoot(8))});
  EXPECT_EQ(Short(study.Judge(Look(study, "2027-03-14", Shoot(10.5)))), "taken grows");
  // The look that shrank is told of once, however far it turns out to have fallen.
  EXPECT_EQ(Short(study.Judge(Look(study, "2027-03-15", Shoot(30)))), "taken");
  EXPECT_EQ(Short(study.Judge(Look(study, "2027-03-18", Shoot(7)))), "taken");
  EXPECT_EQ(Short(study.Judge(Look(study, "2027-03-20", Shoot(2)))), "taken grows");
}

TEST(Rules, LookIntervalHoldsAtItsLimitAndALateLookInBetweenBreaksNothing) {
  OpenStudy study;
  study.StartPair();
  EXPECT_EQ(Short(study.Judge(Look(study, "2027-03-17", Shoot(1)))), "taken");
  EXPECT_EQ(Short(study.Judge(Look(study, "2027-04-05", Shoot(1)))), "deviation weekly");
  // Nineteen days without a look become twelve and seven.
  EXPECT_EQ(Short(study.Judge(Look(study, "2027-03-24", Shoot(1)))), "taken");
}

TEST(Rules, UniqueInStudyLetsGoOfWhatWasCorrectedAway) {
  OpenStudy study;
  const auto with_member = [&](const std::string& grower, const std::string& member) {
    return study.make.Joined(grower, {Country("country", "PT"), Text("member", member)});
  };
  const v1::Record first = with_member("g", "7");
  study.Take({first, with_member("h", "8")});
  EXPECT_EQ(ReasonsOf(study.Judge(study.make.Corrected(first, with_member("g", "8")))),
            "rule_broken");
  // The same answer again is not another's.
  study.Take({study.make.Corrected(first, with_member("g", "7"))});
  study.Take({study.make.Corrected(first, with_member("g", "9")), with_member("i", "7")});
  study.ExpectSound();
}

TEST(Rules, ANoteLeavesARecordTaken) {
  OpenStudy study;
  study.Take({study.make.Joined("g")});
  const v1::Judgement judgement =
      study.Judge(study.make.BlockStarted("g", "b", {Number("temperature", 12, "Cel")}));
  EXPECT_EQ(Short(judgement), "taken warm");
  EXPECT_NE(judgement.notes(0).message().find("12"), std::string::npos)
      << judgement.notes(0).message();
}

TEST(Rules, TheCorrectedFactIsWhatRulesSee) {
  OpenStudy study;
  study.StartPair();
  const v1::Record look = Look(study, "2027-03-12", Shoot(60));
  study.Take({look, study.make.Corrected(look, Look(study, "2027-03-12", Shoot(6))),
              study.make.Reached("b", "c", "rooted", "2027-03-15")});
  EXPECT_EQ(
      ReasonsOf(study.Judge(study.make.Corrected(look, Look(study, "2027-03-12", Shoot(60))))),
      "rule_broken");
}

TEST(Findings, MoreUnitsThanTheProtocolAsksForAreADeviation) {
  OpenStudy study;
  study.Take({study.make.Joined("g"), study.make.BlockStarted("g", "b")});
  for (int i = 0; i < 5; ++i) {
    study.Take({study.make.UnitStarted("b", absl::StrCat("u", i), "low", "2027-03-10")});
  }
  const v1::Judgement judgement =
      study.Judge(study.make.UnitStarted("b", "u5", "low", "2027-03-10"));
  EXPECT_EQ(Short(judgement), "deviation too_many_units");
  EXPECT_FALSE(judgement.deviations(0).leaves_primary_set());
  study.Take({study.make.UnitStarted("b", "h", "high", "2027-03-10")});
}

TEST(Findings, AReportThatLooksContradictIsADeviationWhicheverComesFirst) {
  OpenStudy study;
  study.StartPair();
  study.Take({Look(study, "2027-03-16", Roots(0))});
  EXPECT_EQ(Short(study.Judge(study.make.Reached("b", "c", "rooted", "2027-03-15"))),
            "deviation crossing_disagrees");
  study.Take({study.make.Reached("b", "h", "rooted", "2027-03-15")});
  EXPECT_EQ(Short(study.Judge(study.make.Observed("b", "h", "2027-03-16", Roots(0)))),
            "deviation crossing_disagrees");
}

TEST(Findings, AReportThatAgreesWithTheLooksIsTaken) {
  OpenStudy study;
  study.StartPair();
  study.Take({Look(study, "2027-03-14", Roots(0)), Look(study, "2027-03-17", Roots(2)),
              study.make.Reached("b", "c", "rooted", "2027-03-16", "2027-03-14")});
}

TEST(Findings, ARecordFromAfterALossIsADeviationWhicheverComesFirst) {
  OpenStudy study;
  study.StartPair();
  study.Take({Look(study, "2027-03-16", Shoot(1))});
  const v1::Judgement judgement = study.Judge(study.make.Lost("b", "c", "eaten", "2027-03-15"));
  EXPECT_EQ(Short(judgement), "deviation after_loss");
  EXPECT_TRUE(judgement.deviations(0).leaves_primary_set());
  // On the day itself both can be.
  study.Take({study.make.Lost("b", "h", "eaten", "2027-03-15"),
              study.make.Observed("b", "h", "2027-03-15", Shoot(1))});
}

TEST(Findings, AWaitingRecordKeepsWhatWasFoundOnArrivalAndIsJudgedOnTheRest) {
  OpenStudy study;
  const v1::Record start =
      study.make.UnitStarted("b", "c", "low", "2027-03-24", {Date("taken_on", "2027-03-01")});
  EXPECT_EQ(Short(study.Judge(start)), "pending");
  study.Take({study.make.Joined("g"), study.make.BlockStarted("g", "b")});
  EXPECT_EQ(Short(study.Judge(start)), "deviation late_start fresh");
  study.ExpectSound();
}

}  // namespace
}  // namespace plumule::intake
