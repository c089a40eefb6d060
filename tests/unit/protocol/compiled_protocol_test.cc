#include "server/protocol/compiled_protocol.h"

#include <gtest/gtest.h>

#include "server/protocol/reason.h"
#include "tests/unit/protocol/good_definition.h"

namespace plumule::protocol {
namespace {

std::shared_ptr<const CompiledProtocol> Compiled(study::v1::Protocol definition) {
  auto compiled = Compile(std::move(definition), 3);
  EXPECT_TRUE(compiled.ok()) << compiled.status();
  return *std::move(compiled);
}

TEST(Compile, RefusesProblemsAndNamesThemAll) {
  study::v1::Protocol definition = GoodDefinition();
  definition.mutable_words()->clear_title();
  definition.mutable_calendar()->set_closes_on("2027-02-28");
  definition.mutable_calendar()->clear_time_zone();
  const absl::Status status = Compile(definition, 1).status();
  EXPECT_EQ(status.code(), absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(ReasonOf(status), "protocol_has_problems");
  const auto details = DetailsOf(status);
  ASSERT_EQ(details->violations.size(), 2u);
  EXPECT_EQ(details->violations[0].field, "words.title");
  EXPECT_EQ(details->violations[1].field, "calendar.closes_on");
  EXPECT_EQ(details->violations[1].reason, "closes_before_opening");
}

TEST(CompiledProtocol, DecodesTheCalendar) {
  const auto compiled = Compiled(GoodDefinition());
  EXPECT_EQ(compiled->revision(), 3);
  EXPECT_EQ(compiled->opens_on(), absl::CivilDay(2027, 3, 1));
  EXPECT_EQ(compiled->start_by(), absl::CivilDay(2027, 3, 20));
  EXPECT_EQ(compiled->last_start(), absl::CivilDay(2027, 3, 23));
  EXPECT_EQ(compiled->closes_on(), absl::CivilDay(2027, 6, 30));
  EXPECT_EQ(compiled->last_receipt(), absl::CivilDay(2027, 7, 14));
  EXPECT_EQ(compiled->time_zone().name(), "Europe/Lisbon");
}

TEST(CompiledProtocol, UsesUtcWithoutATimeZone) {
  study::v1::Protocol definition = GoodDefinition();
  definition.mutable_calendar()->clear_time_zone();
  EXPECT_EQ(Compiled(definition)->time_zone(), absl::UTCTimeZone());
}

TEST(CompiledProtocol, FindsHandlesById) {
  const auto compiled = Compiled(GoodDefinition());
  EXPECT_EQ(compiled->FindArm("control"), 0);
  EXPECT_EQ(compiled->FindArm("high"), 2);
  EXPECT_EQ(compiled->FindArm(""), kNone);
  EXPECT_EQ(compiled->control_arm(), 0);
  EXPECT_EQ(compiled->FindThreshold("rooted"), 1);
  EXPECT_EQ(compiled->FindLoss("eaten"), 1);
  EXPECT_EQ(compiled->variable(compiled->FindVariable("shoot")).id(), "shoot");
  EXPECT_EQ(compiled->ThresholdVariable(0), compiled->FindVariable("shoot"));
}

TEST(CompiledProtocol, AppliesThresholdsToTheirArms) {
  const auto compiled = Compiled(GoodDefinition());
  const int visible = compiled->FindThreshold("visible");
  EXPECT_TRUE(compiled->AppliesToArm(visible, 0));
  EXPECT_FALSE(compiled->AppliesToArm(visible, 1));
  EXPECT_TRUE(compiled->AppliesToArm(visible, 2));
  EXPECT_TRUE(compiled->AppliesToArm(compiled->FindThreshold("tall"), 1));
}

// "tall" is at least 5 cm of a variable in mm; "rooted" is more than 0 roots.
TEST(CompiledProtocol, MeetsThresholdsInTheCanonicalUnit) {
  const auto compiled = Compiled(GoodDefinition());
  const int tall = compiled->FindThreshold("tall");
  EXPECT_FALSE(compiled->Meets(tall, 49.999));
  EXPECT_TRUE(compiled->Meets(tall, 50.0));
  EXPECT_TRUE(compiled->Meets(tall, 50.001));
  const int rooted = compiled->FindThreshold("rooted");
  EXPECT_FALSE(compiled->Meets(rooted, std::int64_t{0}));
  EXPECT_TRUE(compiled->Meets(rooted, std::int64_t{1}));
  const int visible = compiled->FindThreshold("visible");
  EXPECT_FALSE(compiled->Meets(visible, false));
  EXPECT_TRUE(compiled->Meets(visible, true));
  const int callused = compiled->FindThreshold("callused");
  EXPECT_FALSE(compiled->Meets(callused, ChosenCodes{{0}, ""}));
  EXPECT_TRUE(compiled->Meets(callused, ChosenCodes{{1}, ""}));
  EXPECT_TRUE(compiled->Meets(callused, ChosenCodes{{2}, ""}));
}

TEST(CompiledProtocol, ComparesInAllFourWays) {
  const auto meets = [](study::v1::Comparison comparison, double value) {
    study::v1::Protocol definition = GoodDefinition();
    definition.mutable_thresholds(0)->set_comparison(comparison);
    return Compiled(definition)->Meets(0, value);
  };
  EXPECT_TRUE(meets(study::v1::COMPARISON_AT_LEAST, 50));
  EXPECT_FALSE(meets(study::v1::COMPARISON_ABOVE, 50));
  EXPECT_TRUE(meets(study::v1::COMPARISON_ABOVE, 50.1));
  EXPECT_TRUE(meets(study::v1::COMPARISON_AT_MOST, 50));
  EXPECT_FALSE(meets(study::v1::COMPARISON_BELOW, 50));
  EXPECT_TRUE(meets(study::v1::COMPARISON_BELOW, 49.9));
}

TEST(CompiledProtocol, HandsOverTheRulesThatNeedOtherRecords) {
  const auto compiled = Compiled(GoodDefinition());
  ASSERT_EQ(compiled->within_days().size(), 1u);
  const CompiledWithinDays& fresh = compiled->within_days()[0];
  EXPECT_EQ(compiled->rule(fresh.rule).id(), "fresh");
  EXPECT_EQ(fresh.a.at, CompiledMoment::At::kMilestone);
  EXPECT_EQ(fresh.a.milestone, study::v1::MILESTONE_UNIT_STARTED);
  EXPECT_EQ(fresh.b.at, CompiledMoment::At::kDateVariable);
  EXPECT_EQ(fresh.b.handle, compiled->FindVariable("taken_on"));
  EXPECT_EQ(fresh.max_days, 2);
  ASSERT_EQ(compiled->not_before().size(), 1u);
  EXPECT_EQ(compiled->not_before()[0].later.at, CompiledMoment::At::kThreshold);
  EXPECT_EQ(compiled->not_before()[0].later.handle, compiled->FindThreshold("tall"));
  EXPECT_EQ(compiled->not_before()[0].earlier.handle, compiled->FindThreshold("rooted"));
  ASSERT_EQ(compiled->same_across_arms().size(), 1u);
  EXPECT_EQ(compiled->same_across_arms()[0].variable, compiled->FindVariable("origin"));
  ASSERT_EQ(compiled->monotone().size(), 1u);
  EXPECT_EQ(compiled->monotone()[0].tolerated_drop, 2);
  ASSERT_EQ(compiled->look_interval().size(), 1u);
  EXPECT_EQ(compiled->longest_look_interval(), 7);
  ASSERT_EQ(compiled->unique_in_study().size(), 1u);
  EXPECT_EQ(compiled->unique_in_study()[0].variable, compiled->FindVariable("member"));
}

TEST(CompiledProtocol, HasNoVariableForASameStartDay) {
  study::v1::Protocol definition = GoodDefinition();
  definition.mutable_rules(2)->mutable_same_across_arms()->clear_variable();
  definition.mutable_rules(2)->mutable_same_across_arms()->set_start_day(true);
  EXPECT_EQ(Compiled(definition)->same_across_arms()[0].variable, kNone);
}

TEST(CompiledProtocol, TellsWhatBrokeARuleInWords) {
  const auto compiled = Compiled(GoodDefinition());
  const intake::v1::Finding finding = compiled->BrokenRule(0, "taken 5 days before");
  EXPECT_EQ(finding.rule(), "fresh");
  EXPECT_EQ(finding.message(), "taken 5 days before. Fresh.");
  EXPECT_TRUE(finding.leaves_primary_set());
}

TEST(CompiledProtocol, DescribesValuesAsPeopleReadThem) {
  const auto compiled = Compiled(GoodDefinition());
  const auto describe = [&](const char* variable, CanonicalValue value) {
    return compiled->Describe(compiled->FindVariable(variable), value);
  };
  EXPECT_EQ(describe("shoot", 50.8), "50.8 mm");
  EXPECT_EQ(describe("roots", std::int64_t{3}), "3");
  EXPECT_EQ(describe("taken_on", absl::CivilDay(2027, 3, 4)), "4 Mar 2027");
  EXPECT_EQ(describe("seen", true), "yes");
  EXPECT_EQ(describe("medium", ChosenCodes{{0, 2}, ""}), "coir, sand");
  EXPECT_EQ(describe("origin", ChosenCodes{{}, "a gift"}), "\"a gift\"");
  EXPECT_EQ(describe("country", std::string("PT")), "Portugal");
  EXPECT_EQ(describe("member", std::string("17b")), "\"17b\"");
}

}  // namespace
}  // namespace plumule::protocol
