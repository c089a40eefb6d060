#include "plugins/time-to-threshold/time_to_threshold.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <random>

#include "absl/strings/str_cat.h"
#include "tests/unit/plugins/study_table.h"

namespace plumule {
namespace {

using ::testing::ContainsRegex;
using ::testing::HasSubstr;
using ::testing::Not;
using tests::FindEstimate;
using tests::FindTest;
using tests::HasWarning;
using tests::Reached;
using tests::Unfinished;
using tests::UnitRow;

// Remission in pairs of children with leukemia: placebo weeks, 6-MP weeks, whether the latter is an
// event. Freireich EJ et al. (1963), Blood 21:699; pairs as in MASS::gehan of R.
struct LeukemiaPair {
  double placebo;
  double treated;
  bool relapsed;
};
constexpr std::array<LeukemiaPair, 21> kLeukemia = {
    {{1, 10, true},   {22, 7, true},  {3, 32, false},  {12, 23, true}, {8, 22, true},
     {17, 6, true},   {2, 16, true},  {11, 34, false}, {8, 32, false}, {12, 25, false},
     {2, 11, false},  {5, 20, false}, {4, 19, false},  {15, 6, true},  {8, 17, false},
     {23, 35, false}, {5, 6, true},   {11, 13, true},  {4, 9, false},  {1, 6, false},
     {8, 10, false}}};

std::vector<UnitRow> Leukemia() {
  std::vector<UnitRow> rows;
  for (std::size_t i = 0; i < kLeukemia.size(); ++i) {
    const std::string block = absl::StrCat("pair ", i + 10);
    rows.push_back(Reached(block, "a", "placebo", kLeukemia[i].placebo));
    rows.push_back(kLeukemia[i].relapsed ? Reached(block, "b", "drug", kLeukemia[i].treated)
                                         : Unfinished(block, "b", "drug", kLeukemia[i].treated));
  }
  return rows;
}

// Invented: `blocks` growers, one seed an arm; those of "off" come `lead` days sooner, every fifth
// grower's "on" seed never does.
std::vector<UnitRow> Growers(int blocks, double lead) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < blocks; ++i) {
    const std::string block = absl::StrCat("grower ", i + 100);
    const double day = 10 + i % 7;
    rows.push_back(i % 5 == 4 ? Unfinished(block, "1", "on", 40) : Reached(block, "1", "on", day));
    rows.push_back(Reached(block, "2", "off", day - lead + i % 2));
  }
  return rows;
}

analysis::v1::Result Analyze(const plugin::v1::AnalysisSetup& setup,
                             const std::vector<UnitRow>& rows) {
  return tests::Accepted(time_to_threshold::Analyze(tests::ReadManifest("time-to-threshold"),
                                                    tests::MakeInput(setup, rows), tests::Quiet()));
}

absl::Status Refusal(const plugin::v1::AnalysisSetup& setup, const std::vector<UnitRow>& rows) {
  return time_to_threshold::Analyze(tests::ReadManifest("time-to-threshold"),
                                    tests::MakeInput(setup, rows), tests::Quiet())
      .status();
}

plugin::v1::AnalysisSetup OnOff() { return tests::MakeSetup("on", {"off"}); }

void SetNumber(plugin::v1::AnalysisSetup& setup, const std::string& name, double value) {
  auto& parameter = *setup.mutable_analysis()->add_parameters();
  parameter.set_name(name);
  parameter.mutable_value()->mutable_number()->set_value(value);
}

analysis::v1::Assumption HazardAssumption(const analysis::v1::Result& result) {
  for (const auto& assumption : result.assumptions()) {
    if (assumption.what() == "The hazard ratio is the same on all days.") return assumption;
  }
  ADD_FAILURE() << "nothing is said about proportional hazards";
  return {};
}

// --- published example ---

TEST(TimeToThreshold, AgreesWithThePublishedLeukemiaPairs) {
  const auto result = Analyze(tests::MakeSetup("placebo", {"drug"}), Leukemia());
  EXPECT_EQ(result.status(), analysis::v1::RESULT_STATUS_ANSWERED);
  EXPECT_NEAR(FindTest(result, "log_rank")->statistic(), 16.792941, 5e-7);
  // (18 − 3)² / 21: of 21 pairs the placebo child relapsed first in 18.
  EXPECT_NEAR(FindTest(result, "log_rank_stratified_by_block")->statistic(), 225.0 / 21, 1e-9);
  const auto* hazard = FindEstimate(result, "hazard_ratio", "cox_stratified_by_block");
  ASSERT_NE(hazard, nullptr);
  EXPECT_NEAR(hazard->value(), 1.0 / 6, 1e-9);
  EXPECT_NEAR(hazard->standard_error(), std::sqrt(1.0 / 18 + 1.0 / 3), 1e-9);
  const auto* placebo =
      FindEstimate(result, "days_to_quantile", "kaplan_meier", "placebo", "", 0.5);
  const auto* drug = FindEstimate(result, "days_to_quantile", "kaplan_meier", "drug", "", 0.5);
  EXPECT_EQ(placebo->value(), 8);
  EXPECT_EQ(drug->value(), 23);
  const auto* first = FindEstimate(result, "first_in_block", "sign_test");
  ASSERT_NE(first, nullptr);
  EXPECT_EQ(first->events(), 3);
  EXPECT_EQ(first->blocks(), 21);
}

// Values of survdiff(rho = 1) and cox.zph(terms = FALSE) in R's survival 3.5-3 for MASS::gehan.
TEST(TimeToThreshold, SaysThatTheHazardRatioStaysTheSameInThePublishedPairs) {
  const auto result = Analyze(tests::MakeSetup("placebo", {"drug"}), Leukemia());
  EXPECT_NEAR(FindTest(result, "peto_peto")->statistic(), 14.4571508187, 1e-9);
  const auto* by_block =
      FindTest(result, "proportional_hazards", "", "scaled_schoenfeld_stratified_by_block");
  const auto* overall = FindTest(result, "proportional_hazards", "", "scaled_schoenfeld");
  ASSERT_NE(by_block, nullptr);
  ASSERT_NE(overall, nullptr);
  EXPECT_NEAR(by_block->statistic(), 0.0207647306425, 1e-9);
  EXPECT_NEAR(overall->statistic(), 0.0228633780528, 1e-9);
  EXPECT_EQ(HazardAssumption(result).verdict(), analysis::v1::VERDICT_HOLDS);
}

TEST(TimeToThreshold, TellsToReadRestrictedMeansWhenHazardsCross) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 60; ++i) {
    const std::string block = absl::StrCat("grower ", i);
    // Half of the treated are far sooner than the control, half far later.
    rows.push_back(Reached(block, "1", "on", 20 + i % 7));
    rows.push_back(Reached(block, "2", "off", i % 2 == 0 ? 5 + i % 3 : 60 + i % 5));
  }
  const auto result = Analyze(OnOff(), rows);
  const auto assumption = HazardAssumption(result);
  EXPECT_EQ(assumption.verdict(), analysis::v1::VERDICT_FAILS);
  EXPECT_THAT(assumption.consequence(), HasSubstr("restricted means instead"));
  EXPECT_TRUE(HasWarning(result, "hazards_not_proportional"));
}

TEST(TimeToThreshold, LeavesTheHazardRatioUncheckedWhereItHasNoFiniteFit) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 8; ++i) {
    rows.push_back(Reached(absl::StrCat("grower ", i), "1", "on", 20));
    rows.push_back(Reached(absl::StrCat("grower ", i), "2", "off", 5));
  }
  const auto result = Analyze(OnOff(), rows);
  EXPECT_EQ(HazardAssumption(result).verdict(), analysis::v1::VERDICT_NOT_CHECKED);
  EXPECT_EQ(FindTest(result, "proportional_hazards"), nullptr);
}

TEST(TimeToThreshold, TestsATrendOverDosesWhereEveryArmHasOne) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 30; ++i) {
    const std::string block = absl::StrCat("grower ", i);
    rows.push_back(Reached(block, "1", "none", 20 + i % 5));
    rows.push_back(Reached(block, "2", "weak", 18 + (i * 3) % 5));
    rows.push_back(Reached(block, "3", "strong", 15 + (i * 2) % 5));
  }
  auto setup = tests::MakeSetup("none", {"weak", "strong"});
  EXPECT_EQ(FindTest(Analyze(setup, rows), "trend"), nullptr);
  const double doses[] = {0, 500, 2000};
  for (int arm = 0; arm < 3; ++arm) {
    auto& amount = *setup.mutable_protocol()->mutable_arms(arm)->mutable_dose()->mutable_amount();
    amount.set_value(doses[arm]);
    amount.set_unit("mg/L");
  }
  const auto result = Analyze(setup, rows);
  const auto* trend = FindTest(result, "trend");
  ASSERT_NE(trend, nullptr);
  EXPECT_EQ(trend->df(), 1);
  EXPECT_LT(trend->p_value(), 1e-6);
}

TEST(TimeToThreshold, SharesReachedByADayAgreeWithThePublishedCurve) {
  auto setup = tests::MakeSetup("placebo", {"drug"});
  SetNumber(setup, "at_day", 10);
  const auto result = Analyze(setup, Leukemia());
  // The drug's curve at 10 weeks is 0.753 (Freireich's data, three decimals published).
  const auto* reached = FindEstimate(result, "reached_by", "kaplan_meier", "drug", "", 10);
  ASSERT_NE(reached, nullptr);
  EXPECT_NEAR(1 - reached->value(), 0.753, 5e-4);
}

TEST(TimeToThreshold, HorizonIsTheSmallestOfTheArmsLargestDays) {
  const auto result = Analyze(tests::MakeSetup("placebo", {"drug"}), Leukemia());
  EXPECT_EQ(result.estimates(0).measure(), "restricted_mean_difference");
  EXPECT_EQ(result.estimates(0).method(), "cluster_robust");
  EXPECT_EQ(result.estimates(0).standing(), analysis::v1::STANDING_PRIMARY);
  EXPECT_EQ(result.estimates(0).at(), 23);
  EXPECT_THAT(result.method_statement(), HasSubstr("smallest over arms of the largest observed"));
}

TEST(TimeToThreshold, TakesTheTiesAskedForAndNamesThem) {
  auto setup = tests::MakeSetup("placebo", {"drug"});
  auto& parameter = *setup.mutable_analysis()->add_parameters();
  parameter.set_name("ties");
  parameter.mutable_value()->mutable_choice()->add_codes("efron");
  const auto result = Analyze(setup, Leukemia());
  EXPECT_NE(FindEstimate(result, "hazard_ratio", "cox_stratified_by_block_efron"), nullptr);
  EXPECT_EQ(FindEstimate(result, "hazard_ratio", "cox_stratified_by_block"), nullptr);
}

// --- words ---

TEST(TimeToThreshold, SaysSoonerByAnAmountThatMattersWhenTheWholeIntervalDoes) {
  auto setup = OnOff();
  setup.mutable_analysis()->mutable_margin()->set_value(1);
  setup.mutable_analysis()->mutable_margin()->set_unit("d");
  const auto result = Analyze(setup, Growers(40, 4));
  ASSERT_LT(result.estimates(0).upper(), -1);
  EXPECT_THAT(result.findings(0).text(),
              HasSubstr("“with off” was sooner than “with on” by an amount that matters"));
  EXPECT_THAT(result.findings(0).text(),
              ContainsRegex("[0-9]+\\.[0-9] days sooner \\(95 % interval [0-9.]+ to [0-9.]+ days "
                            "sooner\\), counted over the first 13 days"));
}

TEST(TimeToThreshold, SaysNoDifferenceThatMattersWhenTheIntervalLiesInsideTheMargin) {
  auto setup = OnOff();
  setup.mutable_analysis()->mutable_margin()->set_value(50);
  const auto result = Analyze(setup, Growers(40, 4));
  EXPECT_THAT(result.findings(0).text(), HasSubstr("No difference that matters between"));
}

TEST(TimeToThreshold, SaysCannotTellYetWhenTheIntervalCoversBoth) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 20; ++i) {
    const std::string block = absl::StrCat("g", i + 10);
    rows.push_back(Reached(block, "1", "on", 10 + (i * 7) % 11));
    rows.push_back(Reached(block, "2", "off", 10 + (i * 5) % 11));
  }
  auto setup = OnOff();
  setup.mutable_analysis()->mutable_margin()->set_value(1);
  const auto result = Analyze(setup, rows);
  EXPECT_THAT(result.findings(0).text(), HasSubstr("Can't tell yet whether"));
  EXPECT_THAT(result.findings(0).text(), ContainsRegex("from [0-9.]+ days sooner to [0-9.]+ days "
                                                       "later"));
}

TEST(TimeToThreshold, SaysThatNoMarginWasDeclared) {
  const auto result = Analyze(OnOff(), Growers(40, 4));
  EXPECT_THAT(tests::Findings(result), HasSubstr("No margin of practical importance was declared"));
  EXPECT_THAT(result.findings(0).text(), Not(HasSubstr("matters")));
}

TEST(TimeToThreshold, ShowsFinishersOnlyNextToWhyItMisleads) {
  const auto result = Analyze(OnOff(), Growers(40, 4));
  EXPECT_THAT(tests::Findings(result), HasSubstr("That figure misleads"));
  const auto* finishers =
      FindEstimate(result, "restricted_mean_difference", "cluster_robust", "", "finishers_only");
  ASSERT_NE(finishers, nullptr);
  EXPECT_EQ(finishers->standing(), analysis::v1::STANDING_SENSITIVITY);
  // Counting those that never came makes the difference larger here.
  EXPECT_LT(result.estimates(0).value(), finishers->value());
}

TEST(TimeToThreshold, LabelsWithDollarSignsStandAsTheyAre) {
  auto setup = OnOff();
  setup.mutable_protocol()->mutable_arms(1)->mutable_label()->set_text("$1 peat");
  EXPECT_THAT(tests::Findings(Analyze(setup, Growers(40, 4))), HasSubstr("“$1 peat”"));
}

// --- sets, subgroups, arms ---

TEST(TimeToThreshold, BiologicalLossesCountAsNeverInASensitivityFigure) {
  auto rows = Growers(40, 4);
  rows[0] = Unfinished("grower 100", "1", "on", 3, "lost_biological");
  const auto result = Analyze(OnOff(), rows);
  const auto* never = FindEstimate(result, "restricted_mean_difference", "cluster_robust", "",
                                   "biological_loss_as_never");
  ASSERT_NE(never, nullptr);
  EXPECT_LT(never->value(), result.estimates(0).value());
}

TEST(TimeToThreshold, RottedUnitsCountAsNeverInTheCompetingShare) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 10; ++i) {
    const std::string block = absl::StrCat("grower ", i);
    rows.push_back(i < 5 ? Reached(block, "1", "on", 10 + i)
                         : Unfinished(block, "1", "on", 5, "lost_biological"));
    rows.push_back(Reached(block, "2", "off", 10 + i));
  }
  const auto result = Analyze(OnOff(), rows);
  const auto* competing = FindEstimate(result, "reached_by", "aalen_johansen", "on");
  ASSERT_NE(competing, nullptr);
  // Five of ten sprouted. The product-limit share, which censors the rotted, says all.
  EXPECT_NEAR(competing->value(), 0.5, 1e-12);
  EXPECT_LT(competing->lower(), 0.5);
  EXPECT_GT(competing->upper(), 0.5);
  EXPECT_EQ(competing->standing(), analysis::v1::STANDING_SENSITIVITY);
  EXPECT_EQ(FindEstimate(Analyze(OnOff(), {rows.begin(), rows.begin() + 10}), "reached_by",
                         "aalen_johansen", "on"),
            nullptr);
}

TEST(TimeToThreshold, UnitsThatLeftTheProtocolAreComparedBothWays) {
  auto rows = Growers(40, 4);
  rows[1].in_primary = false;
  const auto started = Analyze(OnOff(), rows);
  EXPECT_EQ(started.estimates(0).units(), 80);
  EXPECT_EQ(
      FindEstimate(started, "restricted_mean_difference", "cluster_robust", "", "followed_protocol")
          ->units(),
      79);
  auto setup = OnOff();
  setup.mutable_analysis()->set_set(study::v1::ANALYSIS_SET_FOLLOWED_PROTOCOL);
  const auto followed = Analyze(setup, rows);
  EXPECT_EQ(followed.estimates(0).analysis_set(), "followed_protocol");
  EXPECT_EQ(followed.estimates(0).units(), 79);
  EXPECT_EQ(
      FindEstimate(followed, "restricted_mean_difference", "cluster_robust", "", "all_started")
          ->units(),
      80);
}

TEST(TimeToThreshold, MidpointBetweenLooksIsShown) {
  auto rows = Growers(40, 4);
  for (auto& row : rows) row.lower = row.upper ? std::max(0.0, *row.upper - 3) : row.lower;
  const auto result = Analyze(OnOff(), rows);
  EXPECT_NE(FindEstimate(result, "restricted_mean_difference", "cluster_robust_midpoint"), nullptr);
}

TEST(TimeToThreshold, SubgroupsAreComparedWithinTheirLevels) {
  auto rows = Growers(40, 4);
  for (std::size_t i = 0; i < rows.size(); ++i) rows[i].site = i < 40 ? "indoors" : "outdoors";
  auto setup = OnOff();
  setup.mutable_analysis()->add_subgroup_variables("site");
  const auto result = Analyze(setup, rows);
  const auto* indoors = FindEstimate(result, "restricted_mean_difference", "cluster_robust", "",
                                     "all_started", std::nullopt, "site=indoors");
  ASSERT_NE(indoors, nullptr);
  EXPECT_EQ(indoors->units(), 40);
  EXPECT_EQ(indoors->blocks(), 20);
}

TEST(TimeToThreshold, SeveralArmsAreEachComparedWithTheControlAndCorrected) {
  auto rows = Growers(40, 4);
  for (int i = 0; i < 40; ++i) {
    rows.push_back(Reached(absl::StrCat("grower ", i + 100), "3", "soaked", 12 + i % 5));
  }
  const auto result = Analyze(tests::MakeSetup("on", {"off", "soaked"}), rows);
  EXPECT_EQ(result.estimates(0).arm(), "off");
  EXPECT_EQ(result.estimates(1).arm(), "soaked");
  const auto* off = FindTest(result, "restricted_mean_difference", "off", "normal");
  const auto* holm = FindTest(result, "restricted_mean_difference", "off", "normal_holm");
  ASSERT_NE(holm, nullptr);
  EXPECT_GE(holm->p_value(), off->p_value());
  EXPECT_NE(FindTest(result, "log_rank_stratified_by_block", "soaked", "chi_square_holm"), nullptr);
  EXPECT_THAT(tests::Findings(result), HasSubstr("all of them together"));
}

TEST(TimeToThreshold, FlowAddsUpForEachArm) {
  auto rows = Growers(40, 4);
  rows[0].in_primary = false;
  rows[2] = Unfinished("grower 101", "1", "on", 3, "lost_incidental");
  auto setup = OnOff();
  setup.mutable_analysis()->set_set(study::v1::ANALYSIS_SET_FOLLOWED_PROTOCOL);
  setup.mutable_counts()->set_growers_joined(50);
  setup.mutable_counts()->set_units_started(90);
  const auto result = Analyze(setup, rows);
  std::int64_t ended = 0, analyzed = 0, started = 0, excluded = 0;
  for (const auto& step : result.flow()) {
    if (step.arm() != "on") continue;
    if (step.step() == "started") started += step.units();
    if (step.step() == "excluded") excluded += step.units();
    if (step.step() == "analyzed") analyzed += step.units();
    if (step.step() == "reached" || step.step() == "not_reached" || step.step() == "lost") {
      ended += step.units();
    }
  }
  EXPECT_EQ(started, 40);
  EXPECT_EQ(excluded, 1);
  EXPECT_EQ(analyzed, 39);
  EXPECT_EQ(ended, 39);
  EXPECT_EQ(result.flow(0).step(), "joined");
}

// --- data that can't tell ---

TEST(TimeToThresholdDegenerate, NoUnits) {
  const auto result = Analyze(OnOff(), {});
  EXPECT_EQ(result.status(), analysis::v1::RESULT_STATUS_CANNOT_ANSWER);
  EXPECT_TRUE(HasWarning(result, "no_units"));
  EXPECT_THAT(result.findings(0).text(), HasSubstr("There are no seeds to analyze"));
}

TEST(TimeToThresholdDegenerate, OneArmOnly) {
  const auto result = Analyze(OnOff(), {Reached("a", "1", "on", 4), Reached("b", "1", "on", 5)});
  EXPECT_EQ(result.status(), analysis::v1::RESULT_STATUS_CANNOT_ANSWER);
  EXPECT_TRUE(HasWarning(result, "one_arm_only"));
  EXPECT_NE(FindEstimate(result, "days_to_quantile", "kaplan_meier", "on", "", 0.5), nullptr);
}

TEST(TimeToThresholdDegenerate, NoEventsAtAll) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 10; ++i) {
    rows.push_back(Unfinished(absl::StrCat("g", i), "1", "on", 20));
    rows.push_back(Unfinished(absl::StrCat("g", i), "2", "off", 20));
  }
  const auto result = Analyze(OnOff(), rows);
  EXPECT_EQ(result.status(), analysis::v1::RESULT_STATUS_CANNOT_ANSWER);
  EXPECT_TRUE(HasWarning(result, "no_events"));
  EXPECT_TRUE(HasWarning(result, "quantile_not_reached"));
  EXPECT_THAT(result.findings(0).text(), HasSubstr("None of the 20 seeds had reached"));
}

TEST(TimeToThresholdDegenerate, NoEventsInOneArm) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 12; ++i) {
    rows.push_back(Unfinished(absl::StrCat("g", i + 10), "1", "on", 20));
    rows.push_back(Reached(absl::StrCat("g", i + 10), "2", "off", 5 + i % 4));
  }
  const auto result = Analyze(OnOff(), rows);
  EXPECT_TRUE(HasWarning(result, "no_events_in_arm"));
  EXPECT_TRUE(HasWarning(result, "separation"));
  const auto* hazard = FindEstimate(result, "hazard_ratio", "cox_stratified_by_block");
  EXPECT_FALSE(hazard->has_value());
  EXPECT_GT(hazard->lower(), 1);  // the one-sided limit
  EXPECT_TRUE(result.estimates(0).has_value());
  EXPECT_THAT(tests::Findings(result), HasSubstr("With “with on” fewer than half had reached it"));
}

TEST(TimeToThresholdDegenerate, OneBlock) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 10; ++i) {
    rows.push_back(Reached("only", absl::StrCat(i), "on", 10 + i % 5));
    rows.push_back(Reached("only", absl::StrCat(i + 10), "off", 8 + i % 4));
  }
  const auto result = Analyze(OnOff(), rows);
  EXPECT_EQ(result.status(), analysis::v1::RESULT_STATUS_PARTLY);
  EXPECT_TRUE(HasWarning(result, "one_block"));
  EXPECT_TRUE(result.estimates(0).has_value());
  EXPECT_FALSE(result.estimates(0).has_lower());
  EXPECT_TRUE(FindEstimate(result, "restricted_mean_difference", "kaplan_meier")->has_lower());
  EXPECT_THAT(result.findings(0).text(), HasSubstr("no interval can be given"));
}

TEST(TimeToThresholdDegenerate, AllTied) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 12; ++i) {
    rows.push_back(Reached(absl::StrCat("g", i + 10), "1", "on", 7));
    rows.push_back(Reached(absl::StrCat("g", i + 10), "2", "off", 7));
  }
  const auto result = Analyze(OnOff(), rows);
  EXPECT_TRUE(HasWarning(result, "all_tied"));
  EXPECT_TRUE(HasWarning(result, "no_variation"));
  EXPECT_TRUE(HasWarning(result, "nothing_to_rank"));
  EXPECT_TRUE(HasWarning(result, "no_decided_blocks"));
  EXPECT_TRUE(HasWarning(result, "hazard_ratio_not_estimable"));
  EXPECT_EQ(result.status(), analysis::v1::RESULT_STATUS_PARTLY);
  EXPECT_THAT(result.findings(0).text(), HasSubstr("Can't tell yet"));
}

TEST(TimeToThresholdDegenerate, AllReachedOnTheFirstDay) {
  const auto result = Analyze(OnOff(), {Reached("a", "1", "on", 0), Reached("a", "2", "off", 0)});
  EXPECT_EQ(result.status(), analysis::v1::RESULT_STATUS_CANNOT_ANSWER);
  EXPECT_TRUE(HasWarning(result, "no_follow_up"));
}

TEST(TimeToThresholdDegenerate, FewDecidedBlocksConcludeNothing) {
  auto setup = OnOff();
  setup.mutable_analysis()->mutable_margin()->set_value(1);
  std::vector<UnitRow> rows;
  for (int i = 0; i < 4; ++i) {
    rows.push_back(Reached(absl::StrCat("g", i), "1", "on", 20 + i % 2));
    rows.push_back(Reached(absl::StrCat("g", i), "2", "off", 10 + i % 3));
  }
  const auto result = Analyze(setup, rows);
  EXPECT_TRUE(HasWarning(result, "few_decided_blocks"));
  EXPECT_TRUE(HasWarning(result, "few_blocks"));
  EXPECT_THAT(result.findings(0).text(), HasSubstr("Can't tell yet"));
}

TEST(TimeToThresholdDegenerate, BlocksWithoutBothArmsAreSaid) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 12; ++i) {
    rows.push_back(Reached(absl::StrCat("a", i + 10), "1", "on", 10 + i % 5));
    rows.push_back(Reached(absl::StrCat("b", i + 10), "1", "off", 8 + i % 4));
  }
  const auto result = Analyze(OnOff(), rows);
  EXPECT_TRUE(HasWarning(result, "blocks_not_side_by_side"));
  EXPECT_TRUE(HasWarning(result, "nothing_to_rank"));
  EXPECT_TRUE(result.estimates(0).has_lower());
}

TEST(TimeToThresholdDegenerate, AHorizonBeyondTheFollowUpIsShortened) {
  auto setup = OnOff();
  SetNumber(setup, "horizon_days", 90);
  auto rows = Growers(40, 4);
  const auto result = Analyze(setup, rows);
  EXPECT_TRUE(HasWarning(result, "horizon_shortened"));
  EXPECT_EQ(result.estimates(0).at(), 40);
}

TEST(TimeToThresholdDegenerate, TiesTooManyForExactOnesAreApproximatedAndNamed) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 9000; ++i) {
    int arm = 0;
    for (const char* name : {"on", "off", "soaked"}) {
      rows.push_back(Reached("only", absl::StrCat(name, i), name, (i + arm++) % 2 ? 5 : 6));
    }
  }
  const auto result = Analyze(tests::MakeSetup("on", {"off", "soaked"}), rows);
  EXPECT_TRUE(HasWarning(result, "exact_ties_too_many"));
  EXPECT_NE(FindEstimate(result, "hazard_ratio", "cox_stratified_by_block_efron", "off"), nullptr);
}

TEST(TimeToThresholdDegenerate, AQuantileThatIsNotReachedKeepsItsLowerLimit) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 20; ++i) {
    const std::string block = absl::StrCat("g", i + 10);
    rows.push_back(i < 8 ? Reached(block, "1", "on", 4 + i) : Unfinished(block, "1", "on", 40));
    rows.push_back(Reached(block, "2", "off", 5 + i % 4));
  }
  const auto result = Analyze(OnOff(), rows);
  const auto* median = FindEstimate(result, "days_to_quantile", "kaplan_meier", "on", "", 0.5);
  EXPECT_FALSE(median->has_value());
  EXPECT_TRUE(median->has_lower());
  EXPECT_TRUE(HasWarning(result, "quantile_not_reached"));
}

// --- refusals ---

TEST(TimeToThresholdRefuses, RowsThatContradictThemselvesAllAtOnce) {
  auto rows = Growers(3, 4);
  rows[0].upper.reset();
  rows[1].upper = rows[1].lower - 1;
  rows[2].arm = "soaked";
  const auto status = Refusal(OnOff(), rows);
  ASSERT_EQ(status.code(), absl::StatusCode::kInvalidArgument);
  const std::string words(status.message());
  EXPECT_THAT(words, HasSubstr("row 1 (block grower 100, unit 1): reached, but the upper day is "
                               "missing"));
  EXPECT_THAT(words, HasSubstr("row 2 (block grower 100, unit 2): the upper day is before"));
  EXPECT_THAT(words, HasSubstr("the protocol has no arm \"soaked\""));
}

TEST(TimeToThresholdRefuses, AMarginInAnotherUnit) {
  auto setup = OnOff();
  setup.mutable_analysis()->mutable_margin()->set_value(1);
  setup.mutable_analysis()->mutable_margin()->set_unit("%");
  EXPECT_THAT(std::string(Refusal(setup, Growers(3, 4)).message()), HasSubstr("needs \"d\""));
}

TEST(TimeToThresholdRefuses, AnUnknownThreshold) {
  auto setup = OnOff();
  setup.mutable_analysis()->set_threshold("rooted");
  EXPECT_THAT(std::string(Refusal(setup, Growers(3, 4)).message()),
              HasSubstr("no column `rooted_lower`"));
}

// --- invariances ---

TEST(TimeToThresholdInvariance, SwappingTheArmsTurnsTheSignAndInvertsTheRatio) {
  const auto one = Analyze(tests::MakeSetup("placebo", {"drug"}), Leukemia());
  const auto other = Analyze(tests::MakeSetup("drug", {"placebo"}), Leukemia());
  EXPECT_NEAR(one.estimates(0).value(), -other.estimates(0).value(), 1e-12);
  for (const char* method : {"cox_stratified_by_block", "cox_cluster_robust"}) {
    const double ratio = FindEstimate(one, "hazard_ratio", method)->value();
    const double inverse = FindEstimate(other, "hazard_ratio", method)->value();
    EXPECT_NEAR(ratio * inverse, 1, 1e-8) << method;
  }
}

TEST(TimeToThresholdInvariance, OrderOfRowsAndSizeOfChunksChangeNoByte) {
  auto setup = OnOff();
  setup.mutable_analysis()->add_subgroup_variables("site");
  auto rows = Growers(60, 4);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    rows[i].site = i % 3 == 0 ? "indoors" : "outdoors";
    rows[i].in_primary = i % 17 != 0;
    if (i % 13 == 0)
      rows[i] = Unfinished(rows[i].block, rows[i].unit, rows[i].arm, 5.5,
                           i % 2 ? "lost_biological" : "lost_incidental");
  }
  const auto manifest = tests::ReadManifest("time-to-threshold");
  const auto bytes = [&](int chunk_rows) {
    auto result = time_to_threshold::Analyze(manifest, tests::MakeInput(setup, rows, chunk_rows),
                                             tests::Quiet());
    EXPECT_TRUE(result.ok()) << result.status();
    return result->SerializeAsString();
  };
  const std::string ordered = bytes(1000);
  std::mt19937 random(20270304);
  for (int shuffle = 0; shuffle < 5; ++shuffle) {
    std::shuffle(rows.begin(), rows.end(), random);
    EXPECT_TRUE(bytes(7 + shuffle) == ordered) << "shuffle " << shuffle;
  }
}

// --- effects for pooling ---

TEST(TimeToThreshold, HandsOverEffectsThatCanBePooled) {
  const auto result = Analyze(tests::MakeSetup("placebo", {"drug"}), Leukemia());
  ASSERT_EQ(result.poolable_effects_size(), 2);
  const auto& days = result.poolable_effects(0);
  EXPECT_EQ(days.measure(), "restricted_mean_difference");
  EXPECT_DOUBLE_EQ(days.value(), result.estimates(0).value());
  EXPECT_DOUBLE_EQ(days.variance(), std::pow(result.estimates(0).standard_error(), 2));
  const auto& hazard = result.poolable_effects(1);
  EXPECT_EQ(hazard.measure(), "log_hazard_ratio");
  EXPECT_NEAR(hazard.value(), -std::log(6), 1e-9);
}

}  // namespace
}  // namespace plumule
