// Made, published, amended, closed, frozen.
#include <gtest/gtest.h>

#include "server/intake/study_life.h"
#include "server/log/dataset.h"
#include "server/log/log_reader.h"
#include "server/log/study_reader.h"
#include "server/protocol/reason.h"
#include "tests/unit/intake/open_study.h"

namespace plumule::intake {
namespace {

class Life : public testing::Test {
 protected:
  std::string Publish(const study::v1::Protocol& definition, int request,
                      const std::string& reason) {
    return ReasonOf(
        life_.Publish(study_.name(), definition, RequestId(request), reason, kOrganizer).status());
  }
  void Close() {
    study_.SetToday(absl::CivilDay(2027, 7, 20));
    EXPECT_TRUE(life_.Close(study_.name(), RequestId(90), "", kOrganizer).ok());
  }

  OpenStudy study_;
  StudyLife& life_ = study_.life();
};

TEST_F(Life, AStudyIsMadeOnce) {
  EXPECT_EQ(ReasonOf(life_.Create(study_.name(), kOrganizer).status()), "study_exists");
}

TEST_F(Life, ADraftTakesNoRecordsAndAnUnknownStudyIsNotFound) {
  const store::StudyName draft{"windowsill", "draft"};
  EXPECT_EQ(life_.Create(draft, kOrganizer)->state(), study::v1::STUDY_STATE_DRAFT);
  absl::Status status;
  study_.intake().Submit(draft, {study_.make.Joined("g")}, kGrowers,
                         [&](Answers answers) { status = answers.status(); });
  EXPECT_EQ(ReasonOf(status), "study_not_open");
  study_.intake().Submit({"windowsill", "none"}, {study_.make.Joined("g")}, kGrowers,
                         [&](Answers answers) { status = answers.status(); });
  EXPECT_EQ(ReasonOf(status), "study_not_found");
}

TEST_F(Life, PublishingOpensTheStudyAndIsTheFirstEntryOfItsLog) {
  const auto study = log::ReadStudy(study_.store(), study_.name());
  EXPECT_EQ(study->state(), study::v1::STUDY_STATE_OPEN);
  EXPECT_EQ(study->title(), "Title");
  EXPECT_EQ(study->revision(), 1);
  EXPECT_EQ(study->log_head(), 1);
  EXPECT_EQ(study->log_head_hash().size(), 32u);
}

TEST_F(Life, ARepeatedRequestAddsNothing) {
  EXPECT_EQ(Publish(OpenStudy::Definition(), 1, ""), "");
  EXPECT_EQ(log::ReadStudy(study_.store(), study_.name())->log_head(), 1);
  study::v1::Protocol other = OpenStudy::Definition();
  other.mutable_words()->mutable_title()->set_text("Other");
  EXPECT_EQ(Publish(other, 1, ""), "record_id_reused");
}

TEST_F(Life, AnAmendmentIsTheNextRevisionAndRecordsAreJudgedByTheOneTheyName) {
  study::v1::Protocol amended = OpenStudy::Definition();
  amended.mutable_words()->set_consent_version("2");
  EXPECT_EQ(Publish(amended, 2, ""), "reason_missing");
  EXPECT_EQ(Publish(amended, 2, "clearer consent"), "");
  EXPECT_EQ(log::ReadProtocol(study_.store(), study_.name(), 0)->revision, 2);
  EXPECT_EQ(log::ReadProtocol(study_.store(), study_.name(), 1)->protocol.words().consent_version(),
            "1");
  study_.Take({study_.make.Joined("old")});
  v1::Record joined = study_.make.Joined("new");
  joined.set_protocol_revision(2);
  EXPECT_EQ(ReasonsOf(study_.Judge(joined)), "consent_version_unfit");
  joined.mutable_joined()->set_consent_version("2");
  study_.Take({joined});
  study_.ExpectSound();
}

TEST_F(Life, AnAmendmentMayNotChangeWhatRecordsMean) {
  study::v1::Protocol amended = OpenStudy::Definition();
  amended.mutable_thresholds(0)->mutable_target()->mutable_number()->set_value(6);
  const absl::Status status =
      life_.Publish(study_.name(), amended, RequestId(3), "taller", kOrganizer).status();
  EXPECT_EQ(ReasonOf(status), "amendment_incompatible");
  ASSERT_EQ(DetailsOf(status)->violations.size(), 1u);
  EXPECT_EQ(DetailsOf(status)->violations[0].field, "protocol.thresholds[tall]");
}

TEST_F(Life, ADefinitionWithProblemsIsNotPublished) {
  study::v1::Protocol broken = OpenStudy::Definition();
  broken.clear_arms();
  EXPECT_EQ(Publish(broken, 4, "broken"), "protocol_has_problems");
}

TEST_F(Life, ClosingBeforeTheDayNeedsAReason) {
  EXPECT_EQ(ReasonOf(life_.Close(study_.name(), RequestId(5), "", kOrganizer).status()),
            "closes_early");
  study_.SetToday(absl::CivilDay(2027, 6, 30));
  EXPECT_EQ(ReasonOf(life_.Close(study_.name(), RequestId(5), "", kOrganizer).status()),
            "closes_early");
  study_.SetToday(absl::CivilDay(2027, 7, 1));
  EXPECT_EQ(life_.Close(study_.name(), RequestId(5), "", kOrganizer)->state(),
            study::v1::STUDY_STATE_CLOSED);
}

TEST_F(Life, AClosedStudyTakesNothingMoreButRepeatsItsAnswers) {
  const v1::Record joined = study_.make.Joined("g");
  study_.Take({joined});
  EXPECT_TRUE(life_.Close(study_.name(), RequestId(5), "frost", kOrganizer).ok());
  EXPECT_EQ(ReasonsOf(study_.Judge(study_.make.Joined("h"))), "study_closed");
  EXPECT_TRUE(study_.SendOne(joined).receipt.repeated());
  EXPECT_EQ(ReasonOf(life_.Close(study_.name(), RequestId(6), "", kOrganizer).status()),
            "study_not_open");
  EXPECT_EQ(Publish(OpenStudy::Definition(), 7, "late"), "study_closed");
  // The same closing again.
  EXPECT_TRUE(life_.Close(study_.name(), RequestId(5), "frost", kOrganizer).ok());
}

TEST_F(Life, AFreezeQuotesTheLogAndTheDatasetAndIsMadeOnce) {
  study_.StartPair();
  EXPECT_EQ(ReasonOf(life_.Freeze(study_.name(), RequestId(9), kOrganizer).status()),
            "study_not_closed");
  Close();
  const log::Head before = *log::ReadHead(study_.store(), study_.name());
  const auto freeze = life_.Freeze(study_.name(), RequestId(10), kOrganizer);
  ASSERT_TRUE(freeze.ok()) << freeze.status();
  EXPECT_EQ(freeze->name(), study_.name().Format() + "/freezes/1");
  EXPECT_EQ(freeze->log_sequence(), before.sequence);
  EXPECT_EQ(freeze->log_hash(), log::HashBytes(before.hash));
  EXPECT_EQ(freeze->units(), 2);
  EXPECT_EQ(freeze->blocks(), 1);
  EXPECT_EQ(freeze->dataset_digest().size(), 64u);
  // Again, under this request and another: nothing was logged since.
  for (const int request : {10, 11}) {
    EXPECT_EQ(life_.Freeze(study_.name(), RequestId(request), kOrganizer)->name(), freeze->name());
  }
  study_.ExpectSound();
}

TEST_F(Life, AnExclusionAfterAFreezeLeavesThatFreezeAsItWas) {
  study_.StartPair();
  Close();
  const auto first = life_.Freeze(study_.name(), RequestId(10), kOrganizer);
  EXPECT_EQ(life_.Exclude(study_.name(), "b", "h", "mislabelled", RequestId(11), kOrganizer)
                ->judgement()
                .outcome(),
            v1::OUTCOME_TAKEN);
  const auto second = life_.Freeze(study_.name(), RequestId(12), kOrganizer);
  EXPECT_EQ(second->units(), 1);
  EXPECT_NE(second->dataset_digest(), first->dataset_digest());
  // A request that was answered keeps its answer.
  EXPECT_EQ(life_.Freeze(study_.name(), RequestId(10), kOrganizer)->name(), first->name());
  const auto dataset = log::Dataset::Open(study_.store(), study_.name(), first->log_sequence());
  EXPECT_EQ(log::ToHex(log::DigestOf(**dataset)->digest), first->dataset_digest());
  const auto freezes = log::ListFreezes(study_.store(), study_.name(), 1, "");
  EXPECT_EQ(freezes->items[0].name(), second->name());
  EXPECT_EQ(
      log::ListFreezes(study_.store(), study_.name(), 1, freezes->next_page_token)->items[0].name(),
      first->name());
}

TEST_F(Life, ExcludingWhatIsNotThereIsRefused) {
  study_.StartPair();
  const auto exclude = [&](const std::string& block, const std::string& unit,
                           const std::string& reason, int request) {
    return ReasonsOf(
        life_.Exclude(study_.name(), block, unit, reason, RequestId(request), kOrganizer)
            ->judgement());
  };
  EXPECT_EQ(exclude("x", "", "why", 20), "block_not_found");
  EXPECT_EQ(exclude("b", "x", "why", 21), "unit_not_found");
  EXPECT_EQ(exclude("b", "", "", 22), "reason_missing");
}

TEST_F(Life, StudiesOfACommunityAreListedByIdInPages) {
  for (const char* id : {"zinnia", "aster"}) {
    ASSERT_TRUE(life_.Create({"windowsill", id}, kOrganizer).ok());
  }
  ASSERT_TRUE(life_.Create({"windowsills", "other"}, kOrganizer).ok());
  const auto first = log::ListStudies(study_.store(), "windowsill", 2, "");
  ASSERT_EQ(first->items.size(), 2u);
  EXPECT_EQ(first->items[0].name(), "communities/windowsill/studies/aster");
  EXPECT_EQ(first->items[1].name(), "communities/windowsill/studies/rooting");
  const auto second = log::ListStudies(study_.store(), "windowsill", 2, first->next_page_token);
  ASSERT_EQ(second->items.size(), 1u);
  EXPECT_EQ(second->items[0].name(), "communities/windowsill/studies/zinnia");
  EXPECT_EQ(second->next_page_token, "");
  EXPECT_EQ(ReasonOf(log::ListStudies(study_.store(), "windowsill", 2, "%").status()),
            "page_token_not_valid");
}

}  // namespace
}  // namespace plumule::intake
