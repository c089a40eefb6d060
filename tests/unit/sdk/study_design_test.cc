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

}  // namespace
}  // namespace plumule::sdk
