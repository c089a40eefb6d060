#include "clients/cli/import/propose.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>

#include "clients/cli/import/mapping_file.h"
#include "tests/unit/cli/sample_protocol.h"

namespace plumule::cli {
namespace {

using ::testing::AllOf;
using ::testing::Contains;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

Proposal Proposed(const std::string& csv, const ProposeOptions& options = {}) {
  const auto table = ParseTable(csv);
  EXPECT_TRUE(table.ok()) << table.status();
  const auto protocol = SampleProtocol();
  return Propose(*table, &protocol, options);
}

const Column* Find(const Proposal& proposal, const std::string& heading) {
  for (const Column& column : proposal.mapping.columns()) {
    if (column.heading() == heading) return &column;
  }
  return nullptr;
}

constexpr char kPairs[] =
    "Name,Control start,Treatment start,Control sprouted,Treatment sprouted\n"
    "Person A,05/03/2027,25/03/2027,20/04/2027,18/04/2027\n"
    "Person B,26/03/2027,06/03/2027,not yet,19/04/2027\n";

TEST(Propose, ReadsOneRowAGrowerWithAPairOfColumnsAnArm) {
  const Proposal proposal = Proposed(kPairs);
  EXPECT_THAT(proposal.questions, IsEmpty());
  EXPECT_EQ(proposal.mapping.layout(), LAYOUT_GROWER_ROWS);
  EXPECT_EQ(proposal.mapping.date_order(), DATE_ORDER_DAY_MONTH_YEAR);
  EXPECT_THAT(proposal.mapping.blank_words(), ::testing::ElementsAre("not yet"));
  const Column* name = Find(proposal, "Name");
  ASSERT_NE(name, nullptr);
  EXPECT_EQ(name->means(), MEANS_GROWER);
  EXPECT_EQ(name->id_form(), ID_FORM_PSEUDONYM);
  const Column* start = Find(proposal, "Treatment start");
  ASSERT_NE(start, nullptr);
  EXPECT_EQ(start->means(), MEANS_STARTED_ON);
  EXPECT_EQ(start->arm(), "coat_off");
  const Column* sprouted = Find(proposal, "Control sprouted");
  ASSERT_NE(sprouted, nullptr);
  EXPECT_EQ(sprouted->means(), MEANS_REACHED_ON);
  EXPECT_EQ(sprouted->arm(), "coat_on");
  EXPECT_EQ(sprouted->id(), "sprout");
}

TEST(Propose, WritesAMappingThatCanBeUsed) {
  const auto table = ParseTable(kPairs);
  const auto mapping = ParseMapping(ProposalText(Proposed(kPairs)), "proposed");
  ASSERT_TRUE(mapping.ok()) << mapping.status();
  EXPECT_THAT(CheckMapping(*mapping, *table, SampleProtocol()), IsEmpty());
}

TEST(Propose, RefusesToGuessADateOrderThatTheFileLeavesOpen) {
  const Proposal proposal = Proposed(
      "grower,control start,treatment start\n"
      "g1,03/04/2027,04/04/2027\ng2,05/04/2027,06/04/2027\n");
  ASSERT_EQ(proposal.questions.size(), 2U);
  EXPECT_THAT(proposal.questions[0],
              AllOf(HasSubstr("control start"), HasSubstr("\"03/04/2027\" in row 2"),
                    HasSubstr("3 Apr 2027"), HasSubstr("4 Mar 2027"), HasSubstr("above 12"),
                    HasSubstr("--dates")));
}

TEST(Propose, DoesNotCarryOneColumnsOrderOverToAnother) {
  const Proposal proposal =
      Proposed("grower,control start,treatment start\ng1,25/03/2027,03/04/2027\n");
  ASSERT_EQ(proposal.questions.size(), 1U);
  EXPECT_THAT(proposal.questions[0], AllOf(HasSubstr("\"treatment start\""),
                                           HasSubstr("\"control start\" is day_month_year")));
}

TEST(Propose, TakesAStatedOrder) {
  const std::string csv = "grower,control start,treatment start\ng1,03/04/2027,03/04/2027\n";
  ProposeOptions month_first;
  month_first.date_order = DATE_ORDER_MONTH_DAY_YEAR;
  const Proposal whole = Proposed(csv, month_first);
  EXPECT_THAT(whole.questions, IsEmpty());
  EXPECT_EQ(whole.mapping.date_order(), DATE_ORDER_MONTH_DAY_YEAR);
  ProposeOptions each;
  each.column_orders = {{"control start", DATE_ORDER_MONTH_DAY_YEAR},
                        {"treatment start", DATE_ORDER_DAY_MONTH_YEAR}};
  const Proposal mixed = Proposed(csv, each);
  EXPECT_THAT(mixed.questions, IsEmpty());
  EXPECT_EQ(Find(mixed, "control start")->date_order(), DATE_ORDER_MONTH_DAY_YEAR);
  EXPECT_EQ(Find(mixed, "treatment start")->date_order(), DATE_ORDER_DAY_MONTH_YEAR);
}

TEST(Propose, NamesRowsOfAColumnThatContradictEachOther) {
  const Proposal proposal = Proposed(
      "grower,control start,treatment start\n"
      "g1,25/03/2027,2027-03-04\ng2,03/26/2027,2027-03-05\n");
  ASSERT_EQ(proposal.questions.size(), 1U);
  EXPECT_THAT(proposal.questions[0], AllOf(HasSubstr("row 2"), HasSubstr("row 3")));
}

TEST(Propose, SaysThatFiveDigitNumbersAreDates) {
  const Proposal proposal = Proposed("grower,control start,treatment start\ng1,46450,46451\n");
  EXPECT_THAT(proposal.questions, IsEmpty());
  EXPECT_EQ(proposal.mapping.date_order(), DATE_ORDER_SERIAL_1900);
  EXPECT_THAT(ProposalText(proposal), HasSubstr("4 Mar 2027"));
}

TEST(Propose, SaysHowTwoDigitYearsAreTaken) {
  ProposeOptions day_first;
  day_first.date_order = DATE_ORDER_DAY_MONTH_YEAR;
  const Proposal proposal =
      Proposed("grower,control start,treatment start\ng1,25/03/27,04/Mar/27\n", day_first);
  EXPECT_EQ(proposal.mapping.century(), 2000);
  EXPECT_THAT(proposal.remarks, Contains(HasSubstr("two digits")));
}

constexpr char kLooks[] = "block,unit,date,";

TEST(Propose, TakesTheUnitFromTheHeading) {
  const Proposal proposal =
      Proposed(std::string(kLooks) + "Shoot length (cm)\nb1,u1,2027-04-01,1.5\n");
  EXPECT_EQ(proposal.mapping.layout(), LAYOUT_LOOK_ROWS);
  const Column* shoot = Find(proposal, "Shoot length (cm)");
  ASSERT_NE(shoot, nullptr);
  EXPECT_EQ(shoot->id(), "shoot");
  EXPECT_EQ(shoot->unit(), "cm");
  EXPECT_EQ(Find(Proposed(std::string(kLooks) + "shoot length in inches\nb1,u1,2027-04-01,1.5\n"),
                 "shoot length in inches")
                ->unit(),
            "[in_i]");
}

TEST(Propose, AsksWhetherHighAirTemperaturesAreFahrenheit) {
  const std::string csv =
      std::string(kLooks) + "air temp\nb1,u1,2027-04-01,21\nb1,u1,2027-04-02,68\n";
  const Proposal proposal = Proposed(csv);
  ASSERT_EQ(proposal.questions.size(), 1U);
  EXPECT_THAT(proposal.questions[0],
              AllOf(HasSubstr("row 3"), HasSubstr("68"), HasSubstr("[degF]")));
  ProposeOptions fahrenheit;
  fahrenheit.column_units = {{"air temp", "[degF]"}};
  const Proposal stated = Proposed(csv, fahrenheit);
  EXPECT_THAT(stated.questions, IsEmpty());
  EXPECT_EQ(Find(stated, "air temp")->unit(), "[degF]");
}

TEST(Propose, FindsTheDecimalComma) {
  const Proposal comma = Proposed("block;unit;date;shoot\nb1;u1;2027-04-01;12,5\n");
  EXPECT_EQ(comma.mapping.decimal_mark(), DECIMAL_MARK_COMMA);
  // 1,234 may be a thousand.
  const Proposal open = Proposed("block;unit;date;shoot\nb1;u1;2027-04-01;1,234\n");
  ASSERT_EQ(open.questions.size(), 1U);
  EXPECT_THAT(open.questions[0], AllOf(HasSubstr("1,234"), HasSubstr("--decimal")));
}

TEST(Propose, MatchesArmsAndCausesByTheirWords) {
  const Proposal proposal = Proposed(
      "grower,seed,treatment,sown,lost,cause\n"
      "g1,s1,Seed coat on,2027-03-04,2027-03-10,Eaten by a pet\n"
      "g1,s2,coat_off,2027-03-04,,\n");
  EXPECT_THAT(proposal.questions, IsEmpty());
  EXPECT_EQ(proposal.mapping.layout(), LAYOUT_UNIT_ROWS);
  const Column* arm = Find(proposal, "treatment");
  ASSERT_NE(arm, nullptr);
  EXPECT_EQ(arm->means(), MEANS_ARM);
  ASSERT_EQ(arm->codes_size(), 1);
  EXPECT_EQ(arm->codes(0).cell(), "Seed coat on");
  EXPECT_EQ(arm->codes(0).id(), "coat_on");
  const Column* cause = Find(proposal, "cause");
  ASSERT_NE(cause, nullptr);
  EXPECT_EQ(cause->codes(0).id(), "eaten");
}

TEST(Propose, WorksWithoutAProtocol) {
  const auto table = ParseTable(
      "member code,water start,soil start,water rooted,soil rooted\n"
      "m1,25/03/2027,25/03/2027,30/03/2027,28/03/2027\n");
  const Proposal proposal = Propose(*table, nullptr, {});
  EXPECT_THAT(proposal.questions, IsEmpty());
  EXPECT_EQ(proposal.mapping.layout(), LAYOUT_GROWER_ROWS);
  const Column* rooted = Find(proposal, "soil rooted");
  ASSERT_NE(rooted, nullptr);
  EXPECT_EQ(rooted->arm(), "soil");
  EXPECT_EQ(rooted->means(), MEANS_REACHED_ON);
}

TEST(Propose, TellsArmsThatDifferInALittleWordWithoutAProtocol) {
  const auto table = ParseTable(
      "Grower,Husk on sown,Husk on lost on,Husk off sown,Husk off lost on\n"
      "g1,25/03/2027,28/03/2027,25/03/2027,\ng2,26/03/2027,,26/03/2027,29/03/2027\n");
  ASSERT_TRUE(table.ok());
  const Proposal proposal = Propose(*table, nullptr, {});
  EXPECT_THAT(proposal.questions, IsEmpty());
  EXPECT_EQ(proposal.mapping.layout(), LAYOUT_GROWER_ROWS);
  ASSERT_NE(Find(proposal, "Husk on lost on"), nullptr);
  EXPECT_EQ(Find(proposal, "Husk on lost on")->arm(), "husk_on");
  EXPECT_EQ(Find(proposal, "Husk off sown")->arm(), "husk_off");
}

TEST(Propose, WarnsWhereNothingNamesTheGrower) {
  const Proposal proposal = Proposed("control start,treatment start\n2027-03-04,2027-03-04\n");
  EXPECT_THAT(ProposalText(proposal), HasSubstr("row_number: true"));
  EXPECT_THAT(proposal.reasons, Contains(HasSubstr("never be")));
}

}  // namespace
}  // namespace plumule::cli
