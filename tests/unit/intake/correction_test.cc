// Records that say that an earlier one was wrong.
#include <gtest/gtest.h>

#include "server/log/study_reader.h"
#include "tests/unit/intake/open_study.h"

namespace plumule::intake {
namespace {

class Correction : public testing::Test {
 protected:
  v1::Record Look(const std::string& day, double mm) {
    return make_.Observed("b", "c", day, {Number("shoot", mm, "mm")});
  }
  v1::Progress Progress() { return *log::ReadProgress(study_.store(), study_.name()); }
  std::int64_t Tall() {
    const v1::Progress progress = Progress();
    for (const v1::Tally& tally : progress.reached()) {
      if (tally.id() == "tall") return tally.count();
    }
    return 0;
  }

  OpenStudy study_;
  RecordMaker& make_ = study_.make;
};

TEST_F(Correction, WhatTheEarlierRecordSaidNoLongerCounts) {
  study_.StartPair();
  const v1::Record wrong = Look("2027-03-12", 60);
  study_.Take({wrong});
  EXPECT_EQ(Tall(), 1);
  study_.Take({make_.Corrected(wrong, Look("2027-03-12", 6))});
  EXPECT_EQ(Tall(), 0);
  EXPECT_EQ(Progress().observations(), 1);
  // And again, naming the first record.
  study_.Take({make_.Corrected(wrong, Look("2027-03-13", 61))});
  EXPECT_EQ(Tall(), 1);
  study_.ExpectSound();
}

TEST_F(Correction, WithoutReplacementWithdrawsTheRecord) {
  study_.StartPair();
  const v1::Record wrong = Look("2027-03-12", 60);
  study_.Take({wrong, make_.Withdrawn(wrong)});
  EXPECT_EQ(Progress().observations(), 0);
  EXPECT_EQ(Tall(), 0);
  study_.ExpectSound();
}

TEST_F(Correction, AWithdrawnStartMayBeGivenAgain) {
  study_.Take({make_.Joined("g"), make_.BlockStarted("g", "b")});
  const v1::Record wrong = make_.UnitStarted("b", "c", "high", "2027-03-10");
  study_.Take(
      {wrong, make_.Withdrawn(wrong), make_.UnitStarted("b", "c", "control", "2027-03-11")});
  EXPECT_EQ(Progress().units(), 1);
  EXPECT_EQ(Progress().arms(0).arm(), "control");
  // The first can't come back now.
  EXPECT_EQ(ReasonsOf(study_.Judge(
                make_.Corrected(wrong, make_.UnitStarted("b", "c", "high", "2027-03-10")))),
            "unit_already_started");
  study_.ExpectSound();
}

TEST_F(Correction, MovesAUnitToTheArmItWasReallyIn) {
  study_.Take({make_.Joined("g"), make_.BlockStarted("g", "b")});
  const v1::Record wrong = make_.UnitStarted("b", "c", "high", "2027-03-10");
  study_.Take(
      {wrong, make_.Corrected(wrong, make_.UnitStarted("b", "c", "control", "2027-03-10"))});
  ASSERT_EQ(Progress().arms_size(), 1);
  EXPECT_EQ(Progress().arms(0).arm(), "control");
}

TEST_F(Correction, OfAStartMayNotLeaveLooksBeforeIt) {
  study_.Take({make_.Joined("g"), make_.BlockStarted("g", "b")});
  const v1::Record start = make_.UnitStarted("b", "c", "high", "2027-03-10");
  study_.Take({start, Look("2027-03-12", 1)});
  const v1::Judgement judgement =
      study_.Judge(make_.Corrected(start, make_.UnitStarted("b", "c", "high", "2027-03-13")));
  EXPECT_EQ(ReasonsOf(judgement), "before_start");
  EXPECT_EQ(judgement.problems(0).field(), "corrected.replacement.happened_on");
}

TEST_F(Correction, DoesNotWithdrawWhatOthersRestOn) {
  const v1::Record joined = make_.Joined("g");
  const v1::Record block = make_.BlockStarted("g", "b");
  const v1::Record unit = make_.UnitStarted("b", "c", "high", "2027-03-10");
  study_.Take({joined, block, unit, Look("2027-03-12", 1)});
  for (const v1::Record& record : {joined, block, unit}) {
    EXPECT_EQ(ReasonsOf(study_.Judge(make_.Withdrawn(record))), "others_depend_on_it");
  }
  study_.ExpectSound();
}

TEST_F(Correction, MustBeOfTheSameKindAndPlace) {
  study_.StartPair();
  const v1::Record look = Look("2027-03-12", 60);
  study_.Take({look});
  EXPECT_EQ(
      ReasonsOf(study_.Judge(make_.Corrected(look, make_.Lost("b", "c", "rotted", "2027-03-12")))),
      "correction_of_another_kind");
  v1::Record elsewhere = Look("2027-03-12", 60);
  elsewhere.set_unit("h");
  EXPECT_EQ(ReasonsOf(study_.Judge(make_.Corrected(look, elsewhere))), "correction_elsewhere");
}

TEST_F(Correction, NamesTheFirstRecord) {
  study_.StartPair();
  const v1::Record look = Look("2027-03-12", 60);
  const v1::Record correction = make_.Corrected(look, Look("2027-03-12", 6));
  study_.Take({look, correction});
  EXPECT_EQ(ReasonsOf(study_.Judge(make_.Withdrawn(correction))), "corrects_no_fact");
}

TEST_F(Correction, IsJudgedByWhatTheReplacementSays) {
  study_.StartPair();
  const v1::Record look = Look("2027-03-12", 60);
  study_.Take({look});
  EXPECT_EQ(ReasonsOf(study_.Judge(make_.Corrected(look, Look("2027-03-12", 6000)))),
            "out_of_range");
  EXPECT_EQ(DeviationsOf(study_.Judge(make_.Corrected(look, Look("2027-04-12", 6)))), "weekly");
}

TEST_F(Correction, TakesAWithdrawalBack) {
  study_.StartPair();
  v1::Record withdrew = make_.Withdrew("g", false);
  withdrew.set_happened_on("2027-04-01");
  study_.Take({withdrew});
  EXPECT_EQ(Progress().withdrawn(), 1);
  study_.Take({make_.Withdrawn(withdrew), Look("2027-03-12", 1)});
  EXPECT_EQ(Progress().withdrawn(), 0);
  study_.ExpectSound();
}

// Once a record is withdrawn its place may be taken by another, which a second withdrawal of the
// first must not touch.
TEST_F(Correction, ASecondWithdrawalOfARecordLeavesItsSuccessorAlone) {
  study_.Take({make_.Joined("g"), make_.BlockStarted("g", "b")});
  const v1::Record wrong = make_.UnitStarted("b", "c", "high", "2027-03-10");
  const v1::Record right = make_.UnitStarted("b", "c", "control", "2027-03-11");
  const v1::Record wrong_loss = make_.Lost("b", "c", "eaten", "2027-03-12");
  const v1::Record right_loss = make_.Lost("b", "c", "rotted", "2027-03-13");
  study_.Take({wrong, make_.Withdrawn(wrong), right, wrong_loss, make_.Withdrawn(wrong_loss),
               right_loss, make_.Withdrawn(wrong), make_.Withdrawn(wrong_loss)});
  EXPECT_EQ(Progress().units(), 1);
  ASSERT_EQ(Progress().lost_size(), 1);
  EXPECT_EQ(Progress().lost(0).id(), "rotted");
  study_.ExpectSound();
}

TEST_F(Correction, DoesNotPutAWithdrawnDepartureInThePlaceOfAnother) {
  study_.StartPair();
  v1::Record first = make_.Withdrew("g", false);
  first.set_happened_on("2027-04-01");
  v1::Record second = make_.Withdrew("g", true);
  second.set_happened_on("2027-04-02");
  study_.Take({first, make_.Withdrawn(first), second});
  EXPECT_EQ(ReasonsOf(study_.Judge(make_.Corrected(first, first))), "already_withdrawn");
  EXPECT_EQ(Progress().withdrawn(), 1);
  study_.ExpectSound();
}

TEST_F(Correction, DoesNotBringBackAFactWhosePlaceWasWithdrawn) {
  const v1::Record joined = make_.Joined("g");
  const v1::Record block = make_.BlockStarted("g", "b");
  const v1::Record unit = make_.UnitStarted("b", "c", "high", "2027-03-10");
  const v1::Record look = Look("2027-03-12", 1);
  study_.Take({joined, block, unit, look});
  study_.Take({make_.Withdrawn(look), make_.Withdrawn(unit), make_.Withdrawn(block),
               make_.Withdrawn(joined)});
  for (const v1::Record& record : {look, unit, block}) {
    EXPECT_EQ(ReasonsOf(study_.Judge(make_.Corrected(record, record))), "place_withdrawn");
  }
  study_.Take({make_.Corrected(joined, joined), make_.Corrected(block, block),
               make_.Corrected(unit, unit), make_.Corrected(look, look)});
  EXPECT_EQ(Progress().observations(), 1);
  study_.ExpectSound();
}

TEST_F(Correction, OfAPendingRecordIsJudgedAfterIt) {
  study_.Take({make_.Joined("g"), make_.BlockStarted("g", "b")});
  const v1::Record look = Look("2027-03-12", 60);
  const v1::Record correction = make_.Corrected(look, Look("2027-03-12", 6));
  EXPECT_EQ(study_.Judge(look).outcome(), v1::OUTCOME_PENDING);
  EXPECT_EQ(study_.Judge(correction).outcome(), v1::OUTCOME_PENDING);
  study_.Take({make_.UnitStarted("b", "c", "high", "2027-03-10")});
  EXPECT_EQ(Progress().pending(), 0);
  EXPECT_EQ(Progress().observations(), 1);
  EXPECT_EQ(Tall(), 0);
  study_.ExpectSound();
}

TEST_F(Correction, OfARecordThatIsRefusedInTheEndIsRefusedToo) {
  study_.Take({make_.Joined("g"), make_.BlockStarted("g", "b")});
  const v1::Record look = Look("2027-03-12", 60);
  const v1::Record correction = make_.Withdrawn(look);
  study_.Send({look, correction, make_.UnitStarted("b", "c", "high", "2027-03-13")});
  EXPECT_EQ(ReasonsOf(study_.Judge(look)), "before_start");
  EXPECT_EQ(ReasonsOf(study_.Judge(correction)), "corrected_record_refused");
  EXPECT_EQ(Progress().pending(), 0);
  study_.ExpectSound();
}

}  // namespace
}  // namespace plumule::intake
