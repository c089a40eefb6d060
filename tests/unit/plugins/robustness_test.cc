// How far an answer leans on subgroups, single blocks, and units that were lost by accident.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plugins/time-to-threshold/time_to_threshold.h"
#include "tests/unit/plugins/study_table.h"

namespace plumule {
namespace {

using ::testing::HasSubstr;
using tests::FindEstimate;
using tests::FindTest;
using tests::HasWarning;
using tests::Reached;
using tests::Unfinished;
using tests::UnitRow;

analysis::v1::Result Analyze(const std::vector<UnitRow>& rows,
                             const std::vector<std::string>& subgroups = {}) {
  auto setup = tests::MakeSetup("on", {"off"});
  for (const std::string& variable : subgroups) {
    setup.mutable_analysis()->add_subgroup_variables(variable);
  }
  return tests::Accepted(time_to_threshold::Analyze(tests::ReadManifest("time-to-threshold"),
                                                    tests::MakeInput(setup, rows), tests::Quiet()));
}

// Invented: pairs of which "off" leads by `indoors` days on half of the sites, `outdoors` on
// others.
std::vector<UnitRow> Sites(int blocks, int indoors, int outdoors) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < blocks; ++i) {
    const std::string block = absl::StrCat("grower ", 100 + i);
    const bool inside = i % 2 == 0;
    const int day = 12 + i % 5;
    rows.push_back(Reached(block, "1", "on", day + i / 2 % 3));
    rows.push_back(Reached(block, "2", "off", day - (inside ? indoors : outdoors)));
    for (auto row = rows.end() - 2; row != rows.end(); ++row) row->site = inside ? "in" : "out";
  }
  return rows;
}

const analysis::v1::Figure* FindFigure(const analysis::v1::Result& result, const std::string& id) {
  for (const auto& figure : result.figures()) {
    if (figure.id() == id) return &figure;
  }
  return nullptr;
}

TEST(Subgroups, TellWhetherTheDifferenceDependsOnThem) {
  const auto differs = Analyze(Sites(40, 10, 1), {"site"});
  const auto* test = FindTest(differs, "interaction", "off", "chi_square");
  ASSERT_NE(test, nullptr);
  EXPECT_LT(test->p_value(), 0.001);
  EXPECT_EQ(test->df(), 1);
  EXPECT_EQ(test->subgroup(), "site");
  EXPECT_THAT(tests::Findings(differs), HasSubstr("seems to depend on “site” (p below 0.001)"));

  const auto alike = Analyze(Sites(40, 4, 4), {"site"});
  EXPECT_GT(FindTest(alike, "interaction", "off", "chi_square")->p_value(), 0.05);
  EXPECT_THAT(
      tests::Findings(alike),
      HasSubstr(
          "do not show that it depends on “site” how much sooner or later “with off” is (p "));
}

TEST(Subgroups, OfFewBlocksAreNotTested) {
  const auto result = Analyze(Sites(10, 10, 1), {"site"});
  EXPECT_EQ(FindTest(result, "interaction", "off", "chi_square"), nullptr);
  EXPECT_THAT(tests::Findings(result), ::testing::Not(HasSubstr("depend")));
}

TEST(LeaveOneBlockOut, GivesTheRangeThatHoldsThePrimaryDifference) {
  const auto result = Analyze(Sites(40, 6, 2));
  const auto* lowest =
      FindEstimate(result, "restricted_mean_difference", "leave_one_block_out_lowest");
  const auto* highest =
      FindEstimate(result, "restricted_mean_difference", "leave_one_block_out_highest");
  ASSERT_NE(lowest, nullptr);
  ASSERT_NE(highest, nullptr);
  EXPECT_LT(lowest->value(), result.estimates(0).value());
  EXPECT_GT(highest->value(), result.estimates(0).value());
  EXPECT_FALSE(HasWarning(result, "one_block_decides"));
}

TEST(LeaveOneBlockOut, WarnsWhereOneBlockTurnsTheAnswerAround) {
  // Nine blocks half a day later each, one that is far sooner.
  std::vector<UnitRow> rows;
  for (int i = 0; i < 10; ++i) {
    const std::string block = absl::StrCat("grower ", i);
    rows.push_back(Reached(block, "1", "on", i == 9 ? 30 : 20));
    rows.push_back(Reached(block, "2", "off", i == 9 ? 5 : 21));
  }
  EXPECT_TRUE(HasWarning(Analyze(rows), "one_block_decides"));
}

TEST(LeaveOneBlockOut, SaysNothingOfAnUnclearDifferenceThatNoBlockMovesMuch) {
  // As many blocks a day sooner as later, and one more.
  std::vector<UnitRow> rows;
  for (int i = 0; i < 21; ++i) {
    const std::string block = absl::StrCat("grower ", i);
    rows.push_back(Reached(block, "1", "on", 20 + i % 3));
    rows.push_back(Reached(block, "2", "off", 20 + i % 3 + (i % 2 == 0 ? 1 : -1)));
  }
  EXPECT_FALSE(HasWarning(Analyze(rows), "one_block_decides"));
}

TEST(Losses, AreCountedAtTheirWorstAndAtTheirBest) {
  auto rows = Sites(40, 4, 4);
  for (std::size_t i = 0; i < 12; ++i) {
    rows[i] = Unfinished(rows[i].block, rows[i].unit, rows[i].arm, 6, "lost_incidental");
  }
  const auto result = Analyze(rows);
  const auto in = [&](const std::string& set) {
    return FindEstimate(result, "restricted_mean_difference", "cluster_robust", "", set);
  };
  const auto* against = in("losses_against_treatment");
  const auto* in_favor = in("losses_for_treatment");
  ASSERT_NE(against, nullptr);
  ASSERT_NE(in_favor, nullptr);
  EXPECT_GT(against->value(), result.estimates(0).value());
  EXPECT_LT(in_favor->value(), result.estimates(0).value());

  const auto none_lost = Analyze(Sites(40, 4, 4));
  EXPECT_EQ(FindEstimate(none_lost, "restricted_mean_difference", "cluster_robust", "",
                         "losses_against_treatment"),
            nullptr);
}

TEST(WithinBlocks, AreDrawnWithTheirCountsInWords) {
  const auto result = Analyze(Sites(40, 6, 2));
  const auto* figure = FindFigure(result, "within_blocks");
  ASSERT_NE(figure, nullptr);
  EXPECT_THAT(figure->text_alternative(),
              HasSubstr("sooner in 36 of 40 blocks, later in 0, alike in 4"));
}

TEST(Randomization, IsExactForSmallStudiesAndDrawnForLargeOnes) {
  const auto small = Analyze(Sites(20, 4, 2));
  const auto* exact = FindTest(small, "randomization_within_block", "off", "exact");
  ASSERT_NE(exact, nullptr);
  EXPECT_LT(exact->p_value(), 0.001);
  const auto large = Analyze(Sites(60, 4, 2));
  const auto* drawn = FindTest(large, "randomization_within_block", "off", "monte_carlo");
  ASSERT_NE(drawn, nullptr);
  EXPECT_EQ(drawn->p_value(), 1.0 / 10'000);
}

TEST(Randomization, IsLeftOutWhereGrowersChose) {
  auto setup = tests::MakeSetup("on", {"off"});
  setup.mutable_protocol()->mutable_allocation()->set_method(
      study::v1::ALLOCATION_METHOD_GROWER_CHOOSES);
  const auto result =
      time_to_threshold::Analyze(tests::ReadManifest("time-to-threshold"),
                                 tests::MakeInput(setup, Sites(20, 4, 2)), tests::Quiet());
  ASSERT_TRUE(result.ok());
  EXPECT_EQ(FindTest(*result, "randomization_within_block", "off", "exact"), nullptr);
}

TEST(Randomization, SaysWhereNothingCanBeExchanged) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 12; ++i) {
    rows.push_back(Reached(absl::StrCat("grower ", i), "1", i % 2 == 0 ? "on" : "off", 10 + i));
  }
  EXPECT_TRUE(HasWarning(Analyze(rows), "nothing_to_exchange"));
}

TEST(Looks, AreDrawnWithWhatTheyLeaveOpen) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 10; ++i) {
    const std::string block = absl::StrCat("grower ", i);
    rows.push_back(Reached(block, "1", "on", 20));
    rows.back().lower = 16;
    rows.push_back(Reached(block, "2", "off", 15));
    rows.back().lower = i < 5 ? 13 : 8;
  }
  const auto result = Analyze(rows);
  const auto* figure = FindFigure(result, "looks");
  ASSERT_NE(figure, nullptr);
  EXPECT_THAT(figure->text_alternative(),
              HasSubstr("with on: half had reached it between day 16 and day 20; the looks on "
                        "either side lay 4 days apart for the middle one, 4 at most."));
  EXPECT_THAT(figure->text_alternative(),
              HasSubstr("with off: half had reached it between day 8 and day 15"));
}

TEST(Looks, ADayApartNeedNoPicture) {
  EXPECT_EQ(FindFigure(Analyze(Sites(12, 4, 4)), "looks"), nullptr);
}

}  // namespace
}  // namespace plumule
