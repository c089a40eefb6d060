// What a plan says of studies yet to be made.
#include "plugins/time-to-threshold/plan.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <string>

#include "plugins/time-to-threshold/plan_question.h"
#include "tests/unit/plugins/study_table.h"

namespace plumule::time_to_threshold {
namespace {

using ::testing::HasSubstr;
using tests::FindEstimate;
using tests::HasWarning;

const plugin::v1::Manifest& Manifest() {
  static const auto* manifest = new plugin::v1::Manifest(tests::ReadManifest("time-to-threshold"));
  return *manifest;
}

void Expect(plugin::v1::PlanRequest& request, const std::string& name, double value) {
  auto& expectation = *request.add_expectations();
  expectation.set_name(name);
  expectation.mutable_value()->mutable_number()->set_value(value);
}

// Seeds, coat on or off, a margin of 3 days, from March to May.
plugin::v1::PlanRequest Request() {
  const auto setup = tests::MakeSetup("on", {"off"});
  plugin::v1::PlanRequest request;
  *request.mutable_protocol() = setup.protocol();
  *request.mutable_analysis() = setup.analysis();
  auto& calendar = *request.mutable_protocol()->mutable_calendar();
  calendar.set_opens_on("2027-03-01");
  calendar.set_start_by("2027-03-31");
  calendar.set_closes_on("2027-05-30");
  request.mutable_protocol()->mutable_block()->set_min_units_per_arm(1);
  auto& margin = *request.mutable_analysis()->mutable_margin();
  margin.set_value(3);
  margin.set_unit("d");
  request.set_power(0.8);
  request.set_replicates(200);
  request.set_seed(1);
  Expect(request, "control_days", 18);
  return request;
}

analysis::v1::Result Made(const plugin::v1::PlanRequest& request) {
  return tests::Accepted(Plan(Manifest(), request, tests::Quiet()));
}

std::string Refusal(const plugin::v1::PlanRequest& request) {
  const auto result = Plan(Manifest(), request, tests::Quiet());
  EXPECT_EQ(result.status().code(), absl::StatusCode::kInvalidArgument);
  return std::string(result.status().message());
}

TEST(Plan, SaysHowManyBlocksAWantedPowerNeeds) {
  const auto result = Made(Request());
  EXPECT_EQ(result.status(), analysis::v1::RESULT_STATUS_ANSWERED);
  const auto* formula =
      FindEstimate(result, "blocks_for_power", "restricted_mean_by_formula", "", "", 0.8);
  const auto* simulated =
      FindEstimate(result, "blocks_for_power", "restricted_mean_by_simulation", "", "", 0.8);
  ASSERT_NE(formula, nullptr);
  ASSERT_NE(simulated, nullptr);
  EXPECT_GT(formula->value(), 20);
  // 200 replicates leave the power 0.03 either way, and blocks go with the square of its quantile.
  EXPECT_NEAR(simulated->value(), formula->value(), 0.25 * formula->value());
  EXPECT_EQ(result.estimates(0).measure(), "power");
  EXPECT_TRUE(result.estimates(0).has_lower());
  EXPECT_THAT(tests::Findings(result), HasSubstr("let 80 of 100 such studies find"));
  EXPECT_THAT(tests::Findings(result), HasSubstr("3.0 days sooner"));
  EXPECT_EQ(result.figures(0).id(), "power");
}

TEST(Plan, SaysWhatAGivenNumberOfBlocksCanShow) {
  auto request = Request();
  request.set_blocks(60);
  const auto result = Made(request);
  const auto* simulated =
      FindEstimate(result, "power", "restricted_mean_by_simulation", "", "", 60);
  const auto* formula = FindEstimate(result, "power", "restricted_mean_by_formula", "", "", 60);
  ASSERT_NE(simulated, nullptr);
  ASSERT_NE(formula, nullptr);
  EXPECT_NEAR(simulated->value(), formula->value(), 4 * simulated->standard_error() + 0.02);
  EXPECT_NE(FindEstimate(result, "detectable_median_difference", "restricted_mean_by_formula"),
            nullptr);
  EXPECT_NE(FindEstimate(result, "interval_width", "restricted_mean_by_simulation"), nullptr);
  EXPECT_THAT(tests::Findings(result), HasSubstr("With 60 blocks"));
}

TEST(Plan, ListsEverySuppositionWithWhereItIsFrom) {
  const auto result = Made(Request());
  std::string all;
  for (const auto& assumption : result.assumptions()) {
    all += assumption.what() + " " + assumption.check() + "\n";
  }
  EXPECT_THAT(all, HasSubstr("by day 18, nine of ten by day 27. Stated. Nine of ten: not stated"));
  EXPECT_THAT(all, HasSubstr("Units are followed for 60 to 90 days"));
  EXPECT_THAT(
      all, HasSubstr("20 of 100 seeds with “with on” and 20 of 100 with “with off” never make it"));
  EXPECT_THAT(all, HasSubstr("the protocol's margin"));
}

TEST(Plan, ShowsWhatWouldChangeTheAnswer) {
  const auto result = Made(Request());
  const analysis::v1::Table* table = nullptr;
  for (const auto& candidate : result.tables()) {
    if (candidate.id() == "what_if") table = &candidate;
  }
  ASSERT_NE(table, nullptr);
  ASSERT_GE(table->rows_size(), 6);
  const double planned = result.estimates(0).at();
  EXPECT_EQ(table->rows(0).cells(0).text(), "the effect is half as large");
  EXPECT_GT(static_cast<double>(table->rows(0).cells(1).count()), 3 * planned);
}

TEST(Plan, SeveralTreatmentsShareTheLevel) {
  auto request = Request();
  const auto setup = tests::MakeSetup("on", {"off", "nicked"});
  *request.mutable_protocol()->mutable_arms() = setup.protocol().arms();
  request.set_blocks(60);
  const auto two = Made(request);
  request = Request();
  request.set_blocks(60);
  const auto one = Made(request);
  EXPECT_LT(two.estimates(0).value(), one.estimates(0).value());
  EXPECT_THAT(two.method_statement(), HasSubstr("Bonferroni over 2"));
}

TEST(Plan, IsTheSameForTheSameSeed) {
  EXPECT_EQ(Made(Request()).SerializeAsString(), Made(Request()).SerializeAsString());
}

TEST(Plan, SaysWhereNoNumberOfBlocksIsEnough) {
  auto request = Request();
  Expect(request, "never_share", 0.99);
  Expect(request, "sooner_days", 0.001);
  const auto result = Made(request);
  EXPECT_TRUE(HasWarning(result, "power_out_of_reach") ||
              HasWarning(result, "simulation_left_out"));
  EXPECT_NE(result.status(), analysis::v1::RESULT_STATUS_ANSWERED);
}

TEST(Plan, NamesEveryExpectationThatContradictsAnother) {
  auto request = Request();
  Expect(request, "late_days", 10);
  Expect(request, "sooner_days", 18);
  const std::string refusal = Refusal(request);
  EXPECT_THAT(refusal, HasSubstr("late_days: nine of ten can't be there by day 10"));
  EXPECT_THAT(refusal, HasSubstr("sooner_days: half can't be there 18 days sooner"));
}

TEST(Plan, AsksForAnEffectAndACalendar) {
  auto request = Request();
  request.mutable_analysis()->clear_margin();
  EXPECT_THAT(Refusal(request), HasSubstr("state sooner_days"));
  request = Request();
  request.mutable_protocol()->clear_calendar();
  EXPECT_THAT(Refusal(request), HasSubstr("the calendar needs an opening date"));
}

TEST(Plan, RefusesExpectationsThatItDoesNotKnow) {
  auto request = Request();
  Expect(request, "control_day", 10);
  EXPECT_THAT(Refusal(request), HasSubstr("is no expectation of time-to-threshold; it has"));
}

// The frailty of the model gives the logarithms of block medians the deviation that was stated:
// the variance of the logarithm of a gamma variable of mean 1 and variance v is trigamma(1/v);
// trigamma(2) = π²/6 − 1.
TEST(Plan, GrowersDifferByAsMuchAsWasStated) {
  Expectations expected;
  expected.control_days = 20;
  expected.late_days = 20 * std::pow(std::log(10.0) / std::log(2.0), 0.5);  // shape 2
  expected.sooner_days = 2;
  expected.grower_days = 20 * std::sqrt(std::acos(-1.0) * std::acos(-1.0) / 6 - 1) / 2;
  const auto design = DesignOf(expected);
  EXPECT_NEAR(design.shape, 2, 1e-12);
  EXPECT_NEAR(design.block_variance, 0.5, 1e-9);
  EXPECT_NEAR(design.hazard_ratio, std::pow(20.0 / 18, 2), 1e-12);
  EXPECT_NEAR(SoonerDays(expected, design.hazard_ratio), 2, 1e-12);
  expected.grower_days = 0;
  EXPECT_EQ(DesignOf(expected).block_variance, 0);
}

}  // namespace
}  // namespace plumule::time_to_threshold
