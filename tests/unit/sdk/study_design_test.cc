#include "plugins/sdk/study_design.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "plugins/sdk/judgement.h"

namespace plumule::sdk {
namespace {

TEST(Judgement, NeedsTheWholeInterval) {
  const auto judge = [](double lower, double upper) { return Judge({lower, upper, 30}, 2.0); };
  EXPECT_EQ(judge(-6, -2), Judgement::kLowerMatters);
  EXPECT_EQ(judge(2, 6), Judgement::kHigherMatters);
  EXPECT_EQ(judge(-1.9, 1.9), Judgement::kNoneThatMatters);
  EXPECT_EQ(judge(-1.5, -0.5), Judgement::kNoneThatMatters);
  EXPECT_EQ(judge(-6, -1), Judgement::kLower);
  EXPECT_EQ(judge(1, 6), Judgement::kHigher);
  EXPECT_EQ(judge(-6, 1), Judgement::kCannotTell);
}

TEST(Judgement, WithoutAMarginSaysTheDirectionOnly) {
  EXPECT_EQ(Judge({-6.0, -5.0, 30}, std::nullopt), Judgement::kLower);
  EXPECT_EQ(Judge({-1.0, 1.0, 30}, std::nullopt), Judgement::kCannotTell);
}

TEST(Judgement, WithoutAnIntervalOrWithFewBlocksTellsNothing) {
  EXPECT_EQ(Judge({std::nullopt, std::nullopt, 30}, 1.0), Judgement::kCannotTell);
  EXPECT_EQ(Judge({-6.0, -5.0, 5}, 1.0), Judgement::kCannotTell);
}

TEST(Flow, NamesTheRulesThatKeptUnitsDepartedFrom) {
  plugin::v1::StudyCounts counts;
  counts.set_growers_joined(5);
  counts.set_units_started(10);
  auto* deviation = counts.add_deviations();
  deviation->set_rule("same_medium");
  deviation->set_units(3);
  ResultBuilder builder;
  ThresholdOutcome none;
  AddFlow(counts, none, none, builder);
  builder.Say("Nothing was compared.", {});
  const auto result = builder.Finish(analysis::v1::RESULT_STATUS_CANNOT_ANSWER);
  ASSERT_TRUE(result.ok()) << result.status();
  int found = 0;
  for (const auto& step : result->flow()) {
    if (step.step() != "deviated") continue;
    ++found;
    EXPECT_EQ(step.units(), 3);
    EXPECT_EQ(step.reason(), "same_medium");
  }
  EXPECT_EQ(found, 1);
}

}  // namespace
}  // namespace plumule::sdk
