#include "plugins/success-share/success_share.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <random>

#include "absl/strings/str_cat.h"
#include "tests/unit/plugins/study_table.h"

namespace plumule {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;
using tests::FindEstimate;
using tests::FindTest;
using tests::HasWarning;
using tests::Reached;
using tests::Unfinished;
using tests::UnitRow;

analysis::v1::Result Analyze(const plugin::v1::AnalysisSetup& setup,
                             const std::vector<UnitRow>& rows) {
  return tests::Accepted(success_share::Analyze(tests::ReadManifest("success-share"),
                                                tests::MakeInput(setup, rows), tests::Quiet()));
}

plugin::v1::AnalysisSetup OnOff() { return tests::MakeSetup("on", {"off"}); }

UnitRow Unit(const std::string& block, const std::string& arm, bool made_it) {
  return made_it ? Reached(block, arm, arm, 9) : Unfinished(block, arm, arm, 30);
}

// Pairs by who made it: both, only the arm, only the control, neither.
std::vector<UnitRow> Pairs(int both, int arm_only, int control_only, int neither) {
  std::vector<UnitRow> rows;
  int block = 1000;
  const auto add = [&](int count, bool off, bool on) {
    for (int i = 0; i < count; ++i, ++block) {
      rows.push_back(Unit(absl::StrCat("b", block), "off", off));
      rows.push_back(Unit(absl::StrCat("b", block), "on", on));
    }
  };
  add(both, true, true);
  add(arm_only, true, false);
  add(control_only, false, true);
  add(neither, false, false);
  return rows;
}

// `made_it` of `units` seeds an arm, five to a block.
std::vector<UnitRow> Trays(int off_made_it, int off_units, int on_made_it, int on_units) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < off_units; ++i) {
    rows.push_back(Unit(absl::StrCat("b", i / 5 + 100), "off", i < off_made_it));
  }
  for (int i = 0; i < on_units; ++i) {
    rows.push_back(Unit(absl::StrCat("b", i / 5 + 100), "on", i < on_made_it));
  }
  for (std::size_t i = 0; i < rows.size(); ++i) rows[i].unit = absl::StrCat(i);
  return rows;
}

// Newcombe RG (1998), Stat Med 17:873, table II, method 10: 56/70 against 48/80
// (values from memory).
TEST(SuccessShare, UnpairedDifferenceAgreesWithNewcombesExample) {
  const auto result = Analyze(OnOff(), Trays(56, 70, 48, 80));
  const auto* difference = FindEstimate(result, "success_share_difference", "newcombe");
  ASSERT_NE(difference, nullptr);
  EXPECT_EQ(difference, &result.estimates(0));
  EXPECT_NEAR(difference->value(), 0.2, 1e-12);
  EXPECT_NEAR(difference->lower(), 0.0524, 5e-5);
  EXPECT_NEAR(difference->upper(), 0.3339, 5e-5);
  EXPECT_TRUE(HasWarning(result, "blocks_not_used"));
  EXPECT_NE(FindTest(result, "fisher_exact"), nullptr);
  EXPECT_EQ(FindTest(result, "mcnemar_exact"), nullptr);
}

// Newcombe RG (1998), Stat Med 17:857, table I, method 3 (values from memory).
TEST(SuccessShare, SharesAgreeWithNewcombesExample) {
  const auto result = Analyze(OnOff(), Trays(81, 263, 15, 148));
  const auto* off = FindEstimate(result, "success_share", "wilson", "off");
  EXPECT_NEAR(off->lower(), 0.2553, 5e-5);
  EXPECT_NEAR(off->upper(), 0.3662, 5e-5);
  const auto* on = FindEstimate(result, "success_share", "wilson", "on");
  EXPECT_NEAR(on->lower(), 0.0624, 5e-5);
  EXPECT_NEAR(on->upper(), 0.1605, 5e-5);
}

TEST(SuccessShare, PairsAreComparedAsPairs) {
  const auto result = Analyze(OnOff(), Pairs(20, 12, 2, 16));
  EXPECT_EQ(result.status(), analysis::v1::RESULT_STATUS_ANSWERED);
  EXPECT_EQ(result.estimates(0).method(), "newcombe_paired");
  EXPECT_NEAR(result.estimates(0).value(), 10.0 / 50, 1e-12);
  EXPECT_EQ(result.estimates(0).blocks(), 50);
  // Of 14 pairs in which one alone made it, 12 by the arm: 2 (1 + 14 + 91) / 2^14, (12 − 2)²/14.
  EXPECT_NEAR(FindTest(result, "mcnemar_exact")->p_value(), 212.0 / 16384, 1e-12);
  EXPECT_NEAR(FindTest(result, "mcnemar_mid_p")->p_value(), (212.0 - 91) / 16384, 1e-12);
  EXPECT_NEAR(FindTest(result, "mcnemar_asymptotic")->statistic(), 100.0 / 14, 1e-12);
  EXPECT_FALSE(HasWarning(result, "blocks_not_used"));
  EXPECT_NE(FindEstimate(result, "success_share_difference", "newcombe"), nullptr);
}

TEST(SuccessShare, SaysHowManyMoreOfAHundred) {
  auto setup = OnOff();
  setup.mutable_analysis()->mutable_margin()->set_value(5);
  setup.mutable_analysis()->mutable_margin()->set_unit("%");
  const auto result = Analyze(setup, Pairs(20, 30, 2, 28));
  EXPECT_THAT(result.findings(0).text(),
              HasSubstr("More made it with “with off” than with “with on” by an amount that "
                        "matters: 35 more of every 100 seeds (95 % interval "));
  EXPECT_THAT(tests::Findings(result), HasSubstr("22 of 80 with “with on” and 50 of 80 with"));
}

TEST(SuccessShare, UnitsLostByAccidentAreLeftOutAndBoundTheResult) {
  auto rows = Pairs(20, 12, 2, 16);
  rows[0] = Unfinished(rows[0].block, "off", "off", 4, "lost_incidental");
  const auto result = Analyze(OnOff(), rows);
  EXPECT_TRUE(HasWarning(result, "broken_pairs"));
  EXPECT_EQ(result.estimates(0).blocks(), 49);
  EXPECT_EQ(FindEstimate(result, "success_share", "wilson", "off")->units(), 49);
  const auto* against =
      FindEstimate(result, "success_share_difference", "newcombe", "off", "lost_against_arm");
  const auto* for_arm =
      FindEstimate(result, "success_share_difference", "newcombe", "off", "lost_for_arm");
  EXPECT_NEAR(against->value(), 31.0 / 50 - 22.0 / 50, 1e-12);
  EXPECT_NEAR(for_arm->value(), 32.0 / 50 - 22.0 / 50, 1e-12);
  EXPECT_THAT(tests::Findings(result), HasSubstr("Of 1 seed it is not known"));
}

TEST(SuccessShare, UnitsThatRottedCountAsNotHavingMadeIt) {
  auto rows = Pairs(20, 12, 2, 16);
  rows[0] = Unfinished(rows[0].block, "off", "off", 4, "lost_biological");
  const auto result = Analyze(OnOff(), rows);
  EXPECT_EQ(FindEstimate(result, "success_share", "wilson", "off")->units(), 50);
  EXPECT_EQ(FindEstimate(result, "success_share", "wilson", "off")->events(), 31);
  EXPECT_FALSE(HasWarning(result, "broken_pairs"));
}

TEST(SuccessShare, ADayDecidesWhenOneIsGiven) {
  auto setup = OnOff();
  auto& parameter = *setup.mutable_analysis()->add_parameters();
  parameter.set_name("by_day");
  parameter.mutable_value()->mutable_number()->set_value(10);
  std::vector<UnitRow> rows;
  for (int i = 0; i < 12; ++i) {
    const std::string block = absl::StrCat("b", i + 10);
    rows.push_back(Reached(block, "1", "off", i < 6 ? 10 : 11));   // on the day; after it
    rows.push_back(Unfinished(block, "2", "on", i < 6 ? 10 : 9));  // known not; unknown
  }
  const auto result = Analyze(setup, rows);
  EXPECT_EQ(FindEstimate(result, "success_share", "wilson", "off")->events(), 6);
  EXPECT_EQ(FindEstimate(result, "success_share", "wilson", "off")->units(), 12);
  EXPECT_EQ(FindEstimate(result, "success_share", "wilson", "on")->units(), 6);
  EXPECT_EQ(result.estimates(0).at(), 10);
  EXPECT_THAT(tests::Findings(result), HasSubstr("had made it by day 10 (a shoot shows)"));
}

TEST(SuccessShare, HandsOverEffectsWithTheirCounts) {
  const auto result = Analyze(OnOff(), Trays(56, 70, 48, 80));
  ASSERT_EQ(result.poolable_effects_size(), 3);
  const auto& ratio = result.poolable_effects(0);
  EXPECT_EQ(ratio.measure(), "log_risk_ratio");
  EXPECT_NEAR(ratio.value(), std::log(56.0 / 70 / (48.0 / 80)), 1e-12);
  EXPECT_EQ(ratio.counts().events_treated(), 56);
  EXPECT_EQ(ratio.counts().n_control(), 80);
  EXPECT_EQ(result.poolable_effects(1).measure(), "log_odds_ratio");
  EXPECT_EQ(result.poolable_effects(2).measure(), "risk_difference");
}

TEST(SuccessShare, UnitsThatLeftTheProtocolAreComparedBothWays) {
  auto rows = Pairs(20, 12, 2, 16);
  rows[0].in_primary = false;
  const auto result = Analyze(OnOff(), rows);
  EXPECT_EQ(result.estimates(0).blocks(), 50);
  const auto* followed = FindEstimate(result, "success_share_difference", "newcombe_paired", "off",
                                      "followed_protocol");
  ASSERT_NE(followed, nullptr);
  EXPECT_EQ(followed->blocks(), 49);
}

TEST(SuccessShare, SubgroupsAreComparedWithinTheirLevels) {
  auto rows = Pairs(20, 12, 2, 16);
  for (std::size_t i = 0; i < rows.size(); ++i) rows[i].site = i < 40 ? "indoors" : "outdoors";
  auto setup = OnOff();
  setup.mutable_analysis()->add_subgroup_variables("site");
  const auto result = Analyze(setup, rows);
  const auto* indoors = FindEstimate(result, "success_share_difference", "newcombe_paired", "off",
                                     "", std::nullopt, "site=indoors");
  ASSERT_NE(indoors, nullptr);
  EXPECT_EQ(indoors->value(), 0);
  EXPECT_EQ(indoors->blocks(), 20);
}

TEST(SuccessShare, SeveralArmsAreCorrected) {
  auto rows = Pairs(20, 12, 2, 16);
  for (int i = 0; i < 50; ++i) rows.push_back(Unit(absl::StrCat("b", 1000 + i), "soaked", i % 2));
  const auto result = Analyze(tests::MakeSetup("on", {"off", "soaked"}), rows);
  const auto* plain = FindTest(result, "mcnemar_exact", "off", "exact");
  const auto* holm = FindTest(result, "mcnemar_exact", "off", "exact_holm");
  ASSERT_NE(holm, nullptr);
  EXPECT_NEAR(holm->p_value(), 2 * plain->p_value(), 1e-15);
}

TEST(SuccessShareDegenerate, NoUnits) {
  const auto result = Analyze(OnOff(), {});
  EXPECT_EQ(result.status(), analysis::v1::RESULT_STATUS_CANNOT_ANSWER);
  EXPECT_TRUE(HasWarning(result, "no_units"));
}

TEST(SuccessShareDegenerate, OneArmOnly) {
  const auto result = Analyze(OnOff(), {Unit("a", "off", true)});
  EXPECT_EQ(result.status(), analysis::v1::RESULT_STATUS_CANNOT_ANSWER);
  EXPECT_TRUE(HasWarning(result, "one_arm_only"));
}

TEST(SuccessShareDegenerate, NobodyMadeIt) {
  const auto result = Analyze(OnOff(), Pairs(0, 0, 0, 20));
  EXPECT_TRUE(HasWarning(result, "no_successes"));
  EXPECT_TRUE(HasWarning(result, "no_discordant_pairs"));
  EXPECT_EQ(result.estimates(0).value(), 0);
  EXPECT_GT(result.estimates(0).upper(), 0);
}

TEST(SuccessShareDegenerate, EverybodyMadeIt) {
  EXPECT_TRUE(HasWarning(Analyze(OnOff(), Pairs(20, 0, 0, 0)), "all_succeeded"));
}

TEST(SuccessShareDegenerate, NoKnownOutcomeInAnArm) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 8; ++i) {
    rows.push_back(Unit(absl::StrCat("b", i), "on", i % 2 == 0));
    rows.push_back(Unfinished(absl::StrCat("b", i), "2", "off", 3, "lost_incidental"));
  }
  const auto result = Analyze(OnOff(), rows);
  EXPECT_EQ(result.status(), analysis::v1::RESULT_STATUS_CANNOT_ANSWER);
  EXPECT_TRUE(HasWarning(result, "no_known_outcomes"));
  EXPECT_THAT(result.findings(0).text(), HasSubstr("can't be compared"));
}

TEST(SuccessShareDegenerate, OneBlockConcludesNothing) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 30; ++i) {
    rows.push_back(Unit("only", "off", true));
    rows.push_back(Unit("only", "on", false));
  }
  for (std::size_t i = 0; i < rows.size(); ++i) rows[i].unit = absl::StrCat(i);
  const auto result = Analyze(OnOff(), rows);
  EXPECT_TRUE(HasWarning(result, "one_block"));
  EXPECT_THAT(result.findings(0).text(), HasSubstr("Can't tell yet"));
}

TEST(SuccessShareInvariance, OrderOfRowsChangesNoByte) {
  auto rows = Pairs(20, 12, 2, 16);
  rows[5] = Unfinished(rows[5].block, "on", "on", 4, "lost_incidental");
  const auto manifest = tests::ReadManifest("success-share");
  const auto bytes = [&] {
    auto result =
        success_share::Analyze(manifest, tests::MakeInput(OnOff(), rows, 9), tests::Quiet());
    EXPECT_TRUE(result.ok()) << result.status();
    return result->SerializeAsString();
  };
  const std::string ordered = bytes();
  std::mt19937 random(7);
  for (int i = 0; i < 5; ++i) {
    std::shuffle(rows.begin(), rows.end(), random);
    EXPECT_TRUE(bytes() == ordered);
  }
}

TEST(SuccessShareInvariance, SwappingTheArmsTurnsTheDifference) {
  const auto rows = Pairs(20, 12, 2, 16);
  const auto one = Analyze(tests::MakeSetup("on", {"off"}), rows);
  const auto other = Analyze(tests::MakeSetup("off", {"on"}), rows);
  EXPECT_NEAR(one.estimates(0).value(), -other.estimates(0).value(), 1e-15);
  EXPECT_NEAR(one.estimates(0).lower(), -other.estimates(0).upper(), 1e-12);
}

TEST(SuccessShareChecksProtocols, AsksForAThresholdAndAMarginInPoints) {
  const auto setup = OnOff();
  auto analysis = setup.analysis();
  analysis.set_threshold("");
  analysis.mutable_margin()->set_value(2);
  analysis.mutable_margin()->set_unit("d");
  analysis.add_subgroup_variables("nowhere");
  std::vector<std::string> reasons;
  for (const auto& problem : success_share::CheckProtocol(setup.protocol(), analysis)) {
    reasons.push_back(problem.reason());
  }
  EXPECT_THAT(reasons,
              ::testing::ElementsAre("threshold_missing", "margin_unit", "subgroup_unknown"));
}

}  // namespace
}  // namespace plumule
