// How a record is judged when nothing is missing.
#include <gtest/gtest.h>

#include "absl/strings/str_cat.h"
#include "server/log/study_reader.h"
#include "server/protocol/reason.h"
#include "server/store/memory_store.h"
#include "tests/unit/intake/placed_pair.h"

namespace plumule::intake {
namespace {

class Judging : public testing::Test {
 protected:
  PairStudy study_;
  store::MemoryStore& store_ = study_.store();
  RecordMaker& make_ = study_.make;
};

TEST_F(Judging, TakesAWholePairAndItsLooks) {
  study_.StartPair();
  EXPECT_EQ(
      Short(study_.Judge(make_.Observed("b", "c", "2027-03-08", {Number("shoot", 12, "mm")}))),
      "taken");
  EXPECT_EQ(Short(study_.Judge(make_.Lost("b", "c", "rotted", "2027-03-09"))), "taken");
}

TEST_F(Judging, NamesEveryFieldThatIsWrongAtOnce) {
  study_.StartPair();
  v1::Record record =
      make_.Observed("b", "c", "15/03/2027", {Number("shoot", 3, "inch"), Text("color", "green")});
  record.set_record_id("1");
  EXPECT_EQ(Short(study_.Judge(record)),
            "refused record_id:record_id_not_valid happened_on:date_order "
            "observed.values[shoot].number.unit:unit_unknown "
            "observed.values[1].variable:variable_unknown");
}

TEST_F(Judging, KeepsDeviationsOfEveryKindAndSaysWhichRule) {
  ASSERT_EQ(Short(study_.Judge(make_.Joined("g"))), "taken");
  EXPECT_EQ(Short(study_.Judge(make_.BlockStarted("g", "b", {Choice("medium", {"sand"})}))),
            "deviation has_organic_part");
  EXPECT_EQ(Short(study_.Judge(make_.UnitStarted("b", "c", "control", "2027-03-08",
                                                 {Date("taken_on", "2027-03-01")}))),
            "deviation fresh");
  EXPECT_EQ(Short(study_.Judge(make_.UnitStarted("b", "h", "high", "2027-03-30"))),
            "deviation late_start");
  EXPECT_EQ(Short(study_.Judge(make_.Observed("b", "c", "2027-03-25", {Number("shoot", 9, "mm")}))),
            "deviation weekly");
  ASSERT_EQ(Short(study_.Judge(make_.Lost("b", "c", "eaten", "2027-03-26"))), "taken");
  EXPECT_EQ(Short(study_.Judge(make_.Observed("b", "c", "2027-03-28", {Number("shoot", 9, "mm")}))),
            "deviation after_loss");
}

TEST_F(Judging, ComparesTheUnitsOfABlockWithEachOther) {
  ASSERT_EQ(Short(study_.Judge(make_.Joined("g"))), "taken");
  ASSERT_EQ(Short(study_.Judge(make_.BlockStarted("g", "b"))), "taken");
  ASSERT_EQ(Short(study_.Judge(
                make_.UnitStarted("b", "c", "control", "2027-03-02", {Choice("origin", {"own"})}))),
            "taken");
  EXPECT_EQ(Short(study_.Judge(
                make_.UnitStarted("b", "h", "high", "2027-03-02", {Choice("origin", {"bought"})}))),
            "deviation same_origin");
}

TEST_F(Judging, KeepsRemarksOnWhatIsHardToBelieve) {
  study_.StartPair();
  EXPECT_EQ(
      Short(study_.Judge(make_.Observed("b", "c", "2027-03-08", {Number("shoot", 40, "cm")}))),
      "taken implausible_value");
  EXPECT_EQ(
      Short(study_.Judge(make_.Observed("b", "c", "2027-03-09", {Number("shoot", 10, "mm")}))),
      "taken grows");
}

TEST_F(Judging, RefusesWhatTheProtocolRefuses) {
  ASSERT_EQ(Short(study_.Judge(make_.Joined("g", {Country("country", "PT"), Text("member", "7")}))),
            "taken");
  EXPECT_EQ(Short(study_.Judge(make_.Joined("h", {Country("country", "PT"), Text("member", "7")}))),
            "refused joined.values[member]:rule_broken");
  EXPECT_EQ(Short(study_.Judge(make_.BlockStarted("g", "b", {Choice("place", {"frame"})}))),
            "refused block_started.values[place]:rule_broken");
  EXPECT_EQ(Short(study_.Judge(make_.BlockStarted("g", "b", {YesNo("heated", true)}))),
            "refused block_started.values[temperature]:rule_broken");
  v1::Record without_consent = make_.Joined("h");
  without_consent.mutable_joined()->set_consent_version("0");
  EXPECT_EQ(Short(study_.Judge(without_consent)),
            "refused joined.consent_version:consent_version_unfit");
}

TEST_F(Judging, RefusesWhatContradictsEarlierFacts) {
  study_.StartPair();
  const auto refused = [&](v1::Record record) { return Short(study_.Judge(std::move(record))); };
  EXPECT_EQ(refused(make_.Joined("g")), "refused grower:grower_already_joined");
  EXPECT_EQ(refused(make_.BlockStarted("g", "b")), "refused block:block_already_started");
  EXPECT_EQ(refused(make_.BlockStarted("g", "b2")), "refused block:too_many_blocks");
  EXPECT_EQ(refused(make_.UnitStarted("b", "c", "high", "2027-03-03")),
            "refused unit:unit_already_started");
  EXPECT_EQ(refused(make_.UnitStarted("b", "n", "middle", "2027-03-03")),
            "refused unit_started.arm:arm_unknown");
  EXPECT_EQ(refused(make_.Observed("b", "c", "2027-03-01", {Number("shoot", 1, "mm")})),
            "refused happened_on:before_start");
  EXPECT_EQ(refused(make_.Reached("b", "c", "tall", "2027-03-09")),
            "refused reached.threshold:threshold_not_reported");
  EXPECT_EQ(refused(make_.Lost("b", "c", "stolen", "2027-03-09")),
            "refused lost.cause:cause_unknown");
}

TEST_F(Judging, HoldsToTheCalendar) {
  study_.StartPair();
  ASSERT_EQ(Short(study_.Judge(make_.Joined("other"))), "taken");
  ASSERT_EQ(Short(study_.Judge(make_.BlockStarted("other", "o"))), "taken");
  EXPECT_EQ(Short(study_.Judge(make_.UnitStarted("o", "1", "control", "2027-02-28"))),
            "refused happened_on:before_opening");
  EXPECT_EQ(Short(study_.Judge(make_.UnitStarted("o", "2", "control", "2027-03-23"))), "taken");
  EXPECT_EQ(Short(study_.Judge(make_.UnitStarted("o", "3", "high", "2027-03-24"))),
            "deviation late_start");
  // Today is 15 April in Lisbon; tomorrow may have begun somewhere, the day after has not.
  EXPECT_EQ(Short(study_.Judge(make_.Lost("b", "c", "eaten", "2027-04-17"))),
            "refused happened_on:in_the_future");
  EXPECT_EQ(Short(study_.Judge(make_.Lost("b", "c", "eaten", "2027-04-16"))), "taken");

  study_.SetToday(absl::CivilDay(2027, 7, 14));
  EXPECT_EQ(Short(study_.Judge(make_.Lost("b", "h", "eaten", "2027-07-01"))),
            "refused happened_on:after_closing");
  EXPECT_EQ(Short(study_.Judge(make_.Lost("b", "h", "eaten", "2027-06-30"))), "taken");
  study_.SetToday(absl::CivilDay(2027, 7, 15));
  EXPECT_EQ(Short(study_.Judge(make_.Lost("o", "2", "eaten", "2027-06-01"))),
            "refused happened_on:after_grace");
  EXPECT_EQ(Short(study_.Judge(make_.Lost("o", "2", "eaten", "2027-06-01"), kOrganizer)),
            "deviation late_entry");
}

TEST_F(Judging, KeepsServerFactsForTheServer) {
  v1::Record closed;
  closed.set_record_id(make_.NextId());
  closed.set_protocol_revision(1);
  closed.set_happened_on("2027-04-15");
  closed.mutable_closed();
  EXPECT_EQ(Short(study_.Judge(closed)), "refused fact:fact_not_for_clients");
  EXPECT_EQ(Short(study_.Judge(closed, kOrganizer)), "refused fact:fact_not_for_clients");
}

TEST_F(Judging, AnswersARepeatedRecordWithTheFirstAnswer) {
  study_.StartPair();
  const v1::Record look = make_.Observed("b", "c", "2027-03-30", {Number("shoot", 9, "mm")});
  const v1::Judgement first = study_.Judge(look);
  ASSERT_EQ(Short(first), "deviation weekly");
  const v1::Receipt again = study_.SendOne(look).receipt;
  EXPECT_TRUE(again.repeated());
  EXPECT_EQ(again.judgement().SerializeAsString(), first.SerializeAsString());
  const v1::Progress progress = log::ReadProgress(store_, study_.name()).value();
  EXPECT_EQ(progress.observations(), 1);
}

TEST_F(Judging, RefusesAnotherRecordUnderAUsedIdAndShowsBothDigests) {
  study_.StartPair();
  v1::Record look = make_.Observed("b", "c", "2027-03-08", {Number("shoot", 9, "mm")});
  ASSERT_EQ(Short(study_.Judge(look)), "taken");
  look.set_happened_on("2027-03-09");
  const absl::Status error = study_.SendOne(look).error;
  EXPECT_EQ(error.code(), absl::StatusCode::kAlreadyExists);
  EXPECT_EQ(ReasonOf(error), "record_id_reused");
  std::vector<std::string> keys;
  const ReasonDetails details = DetailsOf(error).value();
  for (const auto& [key, value] : details.metadata) {
    keys.push_back(key);
    EXPECT_EQ(value.size(), 64u) << key;
  }
  EXPECT_EQ(keys, (std::vector<std::string>{"stored_digest", "sent_digest"}));
}

TEST_F(Judging, LeavesTheIdOfARefusedRecordFreeAndKeepsTheRecordAside) {
  study_.StartPair();
  v1::Record look = make_.Observed("b", "c", "2027-03-08", {Number("shoot", 9, "furlong")});
  ASSERT_EQ(Short(study_.Judge(look)), "refused observed.values[shoot].number.unit:unit_unknown");
  EXPECT_EQ(log::ListRefused(store_, study_.name(), 10, "").value().items.size(), 1u);
  look.mutable_observed()->mutable_values(0)->mutable_value()->mutable_number()->set_unit("mm");
  EXPECT_EQ(Short(study_.Judge(look)), "taken");
  EXPECT_EQ(log::ListRefused(store_, study_.name(), 10, "").value().items.size(), 0u);
}

TEST_F(Judging, TriesWithoutStoringAndSeesEarlierRecordsOfTheSameRequest) {
  const std::vector<v1::Record> records = {make_.Joined("g"), make_.BlockStarted("g", "b"),
                                           make_.UnitStarted("b", "c", "control", "2027-03-02"),
                                           make_.UnitStarted("b", "c", "high", "2027-03-02")};
  const Answers answers = study_.intake().Try(study_.name(), records, kGrowers);
  ASSERT_TRUE(answers.ok()) << answers.status();
  std::vector<std::string> said;
  for (const Answer& answer : *answers) {
    said.push_back(Short(answer.receipt.judgement()));
    EXPECT_EQ(answer.receipt.log_sequence(), 0);
  }
  EXPECT_EQ(said, (std::vector<std::string>{"taken", "taken", "taken",
                                            "refused unit:unit_already_started"}));
  EXPECT_EQ(log::ReadProgress(store_, study_.name()).value().growers(), 0);
}

TEST_F(Judging, TakesNothingAfterClosing) {
  study_.StartPair();
  ASSERT_TRUE(
      study_.life()
          .Close(study_.name(), "f0000000-0000-4000-8000-000000000002", "enough", kOrganizer)
          .ok());
  const v1::Judgement judgement = study_.Judge(make_.Lost("b", "c", "eaten", "2027-03-05"));
  ASSERT_EQ(judgement.outcome(), v1::OUTCOME_REFUSED);
  EXPECT_EQ(judgement.problems(0).reason(), "study_closed");
}

TEST_F(Judging, JudgesByTheRevisionThatTheRecordNames) {
  study_.StartPair();
  study::v1::Protocol amended = log::DatasetDefinition();
  amended.mutable_calendar()->set_start_by("2027-04-10");
  const auto published =
      study_.life().Publish(study_.name(), amended, "f0000000-0000-4000-8000-000000000003",
                            "A longer spring", kOrganizer);
  ASSERT_TRUE(published.ok()) << published.status();
  ASSERT_EQ(Short(study_.Judge(make_.Joined("g2"))), "taken");
  ASSERT_EQ(Short(study_.Judge(make_.BlockStarted("g2", "b2"))), "taken");
  v1::Record start = make_.UnitStarted("b2", "c", "control", "2027-04-01");
  EXPECT_EQ(Short(study_.Judge(start)), "deviation late_start");
  start = make_.UnitStarted("b2", "h", "high", "2027-04-01");
  start.set_protocol_revision(2);
  EXPECT_EQ(Short(study_.Judge(start)), "taken");
  start = make_.UnitStarted("b2", "l", "low", "2027-04-01");
  start.set_protocol_revision(3);
  EXPECT_EQ(Short(study_.Judge(start)), "refused protocol_revision:revision_not_published");
}

}  // namespace
}  // namespace plumule::intake
