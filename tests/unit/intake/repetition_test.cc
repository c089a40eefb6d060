// The same record again, and other content under the same id.
#include <gtest/gtest.h>

#include "server/log/content_digest.h"
#include "server/log/log_reader.h"
#include "server/log/study_reader.h"
#include "server/protocol/reason.h"
#include "tests/unit/intake/open_study.h"

namespace plumule::intake {
namespace {

std::string MetadataOf(const absl::Status& status, const std::string& key) {
  const ReasonDetails details = DetailsOf(status).value();
  for (const auto& [name, value] : details.metadata) {
    if (name == key) return value;
  }
  return "";
}

TEST(Repetition, GetsTheFirstAnswerAndAddsNothing) {
  OpenStudy study;
  study.StartPair();
  const v1::Record start = study.make.UnitStarted("b", "late", "low", "2027-03-28");
  const Answer first = study.SendOne(start);
  const Answer second = study.SendOne(start);
  EXPECT_EQ(first.receipt.judgement().outcome(), v1::OUTCOME_DEVIATION);
  EXPECT_EQ(second.receipt.judgement().SerializeAsString(),
            first.receipt.judgement().SerializeAsString());
  EXPECT_EQ(second.receipt.log_sequence(), first.receipt.log_sequence());
  EXPECT_FALSE(first.receipt.repeated());
  EXPECT_TRUE(second.receipt.repeated());
  EXPECT_EQ(log::ReadHead(study.store(), study.name())->sequence, first.receipt.log_sequence());
}

TEST(Repetition, WithinOneBatchIsARepetitionToo) {
  OpenStudy study;
  const v1::Record joined = study.make.Joined("g");
  const std::vector<Answer> answers = study.Send({joined, joined});
  EXPECT_FALSE(answers[0].receipt.repeated());
  EXPECT_TRUE(answers[1].receipt.repeated());
  EXPECT_EQ(answers[0].receipt.log_sequence(), answers[1].receipt.log_sequence());
}

TEST(Repetition, OfAnIdWithOtherContentIsAnErrorThatShowsBothDigests) {
  OpenStudy study;
  const v1::Record joined = study.make.Joined("g");
  v1::Record other = study.make.Joined("h");
  other.set_record_id(joined.record_id());
  study.Take({joined});
  const Answer answer = study.SendOne(other);
  EXPECT_EQ(answer.error.code(), absl::StatusCode::kAlreadyExists);
  EXPECT_EQ(ReasonOf(answer.error), "record_id_reused");
  EXPECT_EQ(MetadataOf(answer.error, "stored_digest"), log::ToHex(log::ContentDigest(joined)));
  EXPECT_EQ(MetadataOf(answer.error, "sent_digest"), log::ToHex(log::ContentDigest(other)));
  EXPECT_EQ(ReasonsOf(answer.receipt.judgement()), "record_id_reused");
  EXPECT_TRUE(log::ListRefused(study.store(), study.name(), 10, "")->items.empty());
}

TEST(Repetition, ARefusedIdMayCarryTheMendedRecord) {
  OpenStudy study;
  study.StartPair();
  v1::Record look = study.make.Observed("b", "c", "2027-03-12", {Number("shoot", 900, "mm")});
  EXPECT_EQ(ReasonsOf(study.Judge(look)), "out_of_range");
  EXPECT_EQ(ReasonsOf(study.Judge(look)), "out_of_range");
  EXPECT_EQ(log::ListRefused(study.store(), study.name(), 10, "")->items.size(), 1u);
  EXPECT_EQ(log::ReadProgress(study.store(), study.name())->refused(), 1);

  look.mutable_observed()->mutable_values(0)->mutable_value()->mutable_number()->set_value(90);
  study.Take({look});
  EXPECT_TRUE(log::ListRefused(study.store(), study.name(), 10, "")->items.empty());
  EXPECT_EQ(log::ReadProgress(study.store(), study.name())->refused(), 0);
}

TEST(Refused, AreListedNewestFirstInPages) {
  OpenStudy study;
  study.StartPair();
  std::vector<std::string> sent;
  for (int i = 0; i < 5; ++i) {
    const v1::Record look =
        study.make.Observed("b", "c", "2027-03-12", {Number("shoot", 900 + i, "mm")});
    sent.insert(sent.begin(), look.record_id());
    study.SendOne(look);
  }
  std::vector<std::string> listed;
  std::string token;
  int pages = 0;
  do {
    const auto page = log::ListRefused(study.store(), study.name(), 2, token);
    ASSERT_TRUE(page.ok());
    for (const v1::RefusedRecord& refused : page->items) {
      listed.push_back(refused.record().record_id());
      EXPECT_EQ(ReasonsOf(refused.judgement()), "out_of_range");
    }
    token = page->next_page_token;
    ++pages;
  } while (!token.empty());
  EXPECT_EQ(listed, sent);
  EXPECT_EQ(pages, 3);
}

TEST(Refused, AreKeptUpToALimitAndRefusedBeyondItToo) {
  OpenStudy study(OpenStudy::Definition(), {.refused_of_study = 2});
  for (int i = 0; i < 4; ++i) {
    v1::Record joined = study.make.Joined("g");
    joined.mutable_joined()->set_consent_version("0");
    EXPECT_EQ(ReasonsOf(study.Judge(joined)), "consent_version_unfit");
  }
  EXPECT_EQ(log::ListRefused(study.store(), study.name(), 10, "")->items.size(), 2u);
}

}  // namespace
}  // namespace plumule::intake
