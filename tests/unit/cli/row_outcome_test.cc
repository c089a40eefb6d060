#include "clients/cli/import/row_outcome.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>

#include "clients/cli/import/mapping_file.h"
#include "tests/unit/cli/sample_protocol.h"

namespace plumule::cli {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

DraftRecord Draft(std::vector<int> rows, const std::string& id) {
  DraftRecord draft;
  draft.record.set_record_id(id);
  draft.rows = std::move(rows);
  draft.columns["happened_on"] = "sown";
  return draft;
}

intake::v1::Receipt Receipt(intake::v1::Outcome outcome, bool repeated = false) {
  intake::v1::Receipt receipt;
  receipt.mutable_judgement()->set_outcome(outcome);
  receipt.set_repeated(repeated);
  return receipt;
}

TEST(RowOutcome, MakesARowWhatItsWorstRecordIs) {
  SheetRecords sheet;
  sheet.rows = {2, 3, 4, 5};
  sheet.records = {Draft({2, 3}, "joined"), Draft({2}, "a"), Draft({3}, "b"), Draft({4}, "c")};
  sheet.faults = {{5, "sown", "\"soon\" is no date; write it like 2027-03-04"}};
  auto refused = Receipt(intake::v1::OUTCOME_REFUSED);
  auto* problem = refused.mutable_judgement()->add_problems();
  problem->set_field("happened_on");
  problem->set_message("1 Feb 2027 is before the study opened");
  problem->set_remedy("mend the date");
  const SheetOutcome outcome = JoinOutcomes(
      sheet, std::vector<intake::v1::Receipt>{Receipt(intake::v1::OUTCOME_TAKEN), refused,
                                              Receipt(intake::v1::OUTCOME_PENDING),
                                              Receipt(intake::v1::OUTCOME_TAKEN, true)});
  EXPECT_TRUE(outcome.any_refused());
  EXPECT_EQ(OutcomeCsv(outcome),
            "row,outcome,column,field,message,remedy\n"
            "2,refused,sown,happened_on,1 Feb 2027 is before the study opened,mend the date\n"
            "3,pending,,,,\n"
            "4,duplicate,,,,\n"
            "5,refused,sown,,\"\"\"soon\"\" is no date\",write it like 2027-03-04\n");
}

TEST(RowOutcome, SaysHowToMendARowThatWasChangedAfterItWasTaken) {
  SheetRecords sheet;
  sheet.rows = {2};
  sheet.records = {Draft({2}, "a")};
  auto reused = Receipt(intake::v1::OUTCOME_REFUSED);
  auto* problem = reused.mutable_judgement()->add_problems();
  problem->set_reason("record_id_reused");
  problem->set_message("this id has come with other content");
  const auto outcome = JoinOutcomes(sheet, std::vector<intake::v1::Receipt>{reused});
  EXPECT_THAT(OutcomeText(outcome, false), HasSubstr("--correct"));
}

TEST(RowOutcome, SaysOnceWhatARowWaitsForAndNotBesideARefusal) {
  SheetRecords sheet;
  sheet.rows = {2, 3};
  sheet.records = {Draft({2}, "a"), Draft({2}, "b"), Draft({3}, "c"), Draft({3}, "d")};
  auto waiting = Receipt(intake::v1::OUTCOME_PENDING);
  waiting.mutable_judgement()->add_waits_for("block g1 is not started yet");
  auto refused = Receipt(intake::v1::OUTCOME_REFUSED);
  refused.mutable_judgement()->add_problems()->set_message("too warm");
  const SheetOutcome outcome =
      JoinOutcomes(sheet, std::vector<intake::v1::Receipt>{waiting, waiting, refused, waiting});
  EXPECT_EQ(outcome.lines.size(), 3U);
  const std::string text = OutcomeText(outcome, false);
  EXPECT_THAT(text, HasSubstr("row 2: waits: block g1 is not started yet"));
  EXPECT_THAT(text, HasSubstr("row 3: too warm"));
  EXPECT_THAT(text, Not(HasSubstr("row 3: waits")));
}

TEST(RowOutcome, GuardsCellsThatASpreadsheetWouldRun) {
  SheetRecords sheet;
  sheet.rows = {2};
  sheet.faults = {{2, "=HYPERLINK(1)", "-1 is odd"}};
  const std::string csv = OutcomeCsv(JoinOutcomes(sheet, {}));
  EXPECT_THAT(csv, HasSubstr("'=HYPERLINK(1)"));
  EXPECT_THAT(csv, HasSubstr("'-1 is odd"));
}

TEST(JudgeOffline, FindsWhatTheDefinitionAloneCanTell) {
  const auto table = ParseTable(
      "who,seed,arm,mass,sown,up\n"
      "g1,s1,coat_on,250,10/03/2027,20/03/2027\n"
      "g1,s2,coat_off,9000,10/03/2027,\n"
      "g1,s3,coat_off,250,10/02/2027,\n"
      "g1,s4,coat_off,250,10/04/2027,\n"
      "g1,s5,coat_off,250,10/03/2027,05/03/2027\n"
      "g1,s6,coat_off,250,10/03/2027,05/07/2027\n");
  const auto mapping = ParseMapping(R"txt(
    layout: LAYOUT_UNIT_ROWS date_order: DATE_ORDER_DAY_MONTH_YEAR consent_version: "1"
    columns { heading: "who" means: MEANS_GROWER }
    columns { heading: "seed" means: MEANS_UNIT }
    columns { heading: "arm" means: MEANS_ARM }
    columns { heading: "mass" means: MEANS_ANSWER id: "seed_mass" unit: "mg" }
    columns { heading: "sown" means: MEANS_STARTED_ON }
    columns { heading: "up" means: MEANS_REACHED_ON id: "sprout" }
  )txt",
                                    "m");
  const auto protocol = SampleProtocol();
  const auto sheet = MakeRecords(*table, *mapping, protocol, 1, "communities/a/studies/b");
  const auto receipts = JudgeOffline(sheet, protocol, absl::CivilDay(2027, 7, 10));
  ASSERT_TRUE(receipts.ok()) << receipts.status();
  const std::string csv = OutcomeCsv(JoinOutcomes(sheet, *receipts));
  EXPECT_THAT(csv, HasSubstr("\n2,"));
  EXPECT_THAT(csv, HasSubstr("\n3,refused,mass,unit_started.values[seed_mass]"));
  EXPECT_THAT(csv,
              HasSubstr("\n4,refused,sown,happened_on,10 Feb 2027 is before the study opened"));
  EXPECT_THAT(csv, HasSubstr("\n5,deviation,,late_start"));
  EXPECT_THAT(csv,
              HasSubstr("\n6,refused,up,happened_on,5 Mar 2027 is before the unit was started"));
  EXPECT_THAT(csv, HasSubstr("\n7,refused,up,happened_on,5 Jul 2027 is after the study closed"));
  EXPECT_THAT(csv, Not(HasSubstr("\n2,refused")));
}

}  // namespace
}  // namespace plumule::cli
