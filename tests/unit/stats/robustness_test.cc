// Whether effects are all the same, and what becomes of one without each block.
#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "plugins/stats/homogeneity.h"
#include "plugins/stats/leave_one_block_out.h"
#include "plugins/stats/restricted_mean.h"
#include "tests/unit/stats/units.h"

namespace plumule::stats {
namespace {

TEST(Homogeneity, OfTwoIndependentEffectsIsTheSquareOfTheirZ) {
  const auto test = TestHomogeneity(std::vector{1.0, 4.0}, std::vector{2.0, 0.0, 0.0, 7.0});
  ASSERT_TRUE(test.ok());
  EXPECT_NEAR(test->statistic, 9.0 / 9.0, 1e-14);
  EXPECT_EQ(test->degrees_of_freedom, 1);
}

TEST(Homogeneity, CountsWhatEffectsShare) {
  // Var(a − b) = 2 + 7 − 2 · 3 = 3.
  const auto test = TestHomogeneity(std::vector{1.0, 4.0}, std::vector{2.0, 3.0, 3.0, 7.0});
  EXPECT_NEAR(test->statistic, 3, 1e-13);
}

TEST(Homogeneity, WithoutAnyVarianceHasNoPValue) {
  const auto test = TestHomogeneity(std::vector{1.0, 1.0}, std::vector<double>(4, 0.0));
  ASSERT_TRUE(test.ok());
  EXPECT_EQ(test->degrees_of_freedom, 0);
  EXPECT_FALSE(test->p_value);
}

TEST(Homogeneity, RefusesWhatIsNoCovariance) {
  EXPECT_FALSE(TestHomogeneity(std::vector{1.0}, std::vector{1.0}).ok());
  EXPECT_FALSE(TestHomogeneity(std::vector{1.0, 2.0}, std::vector{1.0, 0.0, 0.0}).ok());
  EXPECT_FALSE(TestHomogeneity(std::vector{1.0, 2.0}, std::vector{1.0, 0.5, 0.0, 1.0}).ok());
  EXPECT_FALSE(
      TestHomogeneity(std::vector<double>{1.0, NAN}, std::vector{1.0, 0.0, 0.0, 1.0}).ok());
}

RC_GTEST_PROP(Homogeneity, DoesNotDependOnTheOrderOfEffects, ()) {
  const int k = *rc::gen::inRange(2, 7);
  const auto n = static_cast<std::size_t>(k);
  std::vector<double> effects(n), covariance(n * n, 0.0);
  for (std::size_t i = 0; i < n; ++i) {
    effects[i] = *rc::gen::inRange(-50, 50) / 7.0;
    covariance[i * n + i] = *rc::gen::inRange(1, 50) / 3.0;
  }
  std::vector<double> back(effects.rbegin(), effects.rend());
  std::vector<double> back_covariance(covariance.rbegin(), covariance.rend());
  const auto one = TestHomogeneity(effects, covariance);
  const auto other = TestHomogeneity(back, back_covariance);
  RC_ASSERT(one.ok() && other.ok());
  RC_ASSERT(std::abs(one->statistic - other->statistic) <= 1e-9 * (1 + one->statistic));
}

Units Pairs(int blocks) {
  Units units;
  for (int block = 0; block < blocks; ++block) {
    units.Add(block, 0, 10 + block % 5, true);
    units.Add(block, 1, 8 + block * 3 % 7, block % 4 != 0);
  }
  return units;
}

Units Without(const Units& all, int block) {
  Units rest;
  for (std::size_t i = 0; i < all.time.size(); ++i) {
    if (all.block[i] != block) rest.Add(all.block[i], all.arm[i], all.time[i], all.event[i] != 0);
  }
  return rest;
}

TEST(LeaveOneBlockOut, GivesWhatFittingAnewWithoutEachBlockGives) {
  const Units all = Pairs(12);
  double lowest = 1e9, highest = -1e9;
  for (int block = 0; block < 12; ++block) {
    const Units rest = Without(all, block);
    const auto anew = CompareRestrictedMeans(rest.view(), 1, 0, 9, ErrorModel::kIndependent, 0.95);
    ASSERT_TRUE(anew.ok());
    lowest = std::min(lowest, anew->difference);
    highest = std::max(highest, anew->difference);
  }
  const auto found = LeaveOutEachBlock(all.view(), 1, 0, 9);
  ASSERT_TRUE(found.ok());
  EXPECT_NEAR(found->lowest.value(), lowest, 1e-12);
  EXPECT_NEAR(found->highest.value(), highest, 1e-12);
  EXPECT_EQ(found->blocks, 12);
  EXPECT_EQ(found->left_out, 12);
}

TEST(LeaveOneBlockOut, OfASingleBlockThereIsNothingToLeaveOut) {
  const Units all = Pairs(1);
  const auto found = LeaveOutEachBlock(all.view(), 1, 0, 5);
  ASSERT_TRUE(found.ok());
  EXPECT_FALSE(found->lowest);
  EXPECT_EQ(found->left_out, 0);
}

TEST(LeaveOneBlockOut, KeepsABlockWithoutWhichAnArmIsNotFollowedToTau) {
  Units all = Pairs(8);
  all.Add(7, 1, 20, false);
  all.Add(8, 1, 30, false);  // alone in being followed past day 20
  all.Add(8, 0, 30, true);
  const auto found = LeaveOutEachBlock(all.view(), 1, 0, 25);
  ASSERT_TRUE(found.ok());
  EXPECT_EQ(found->blocks, 9);
  EXPECT_EQ(found->left_out, 8);
}

}  // namespace
}  // namespace plumule::stats
