#include "plugins/stats/multiplicity.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <vector>

#include "plugins/stats/arguments.h"
#include "plugins/stats/restricted_mean.h"
#include "tests/unit/stats/units.h"

namespace plumule::stats {
namespace {

using ::testing::DoubleNear;
using ::testing::ElementsAre;

// Holm S (1979), Scand J Stat 6:65; p.adjust(c(0.01, 0.04, 0.03, 0.005), "holm") in R gives these.
TEST(Holm, AgreesWithTheReference) {
  EXPECT_THAT(HolmAdjusted(std::vector{0.01, 0.04, 0.03, 0.005}),
              ElementsAre(DoubleNear(0.03, 1e-15), DoubleNear(0.06, 1e-15), DoubleNear(0.06, 1e-15),
                          DoubleNear(0.02, 1e-15)));
}

TEST(Holm, NeverPassesOne) { EXPECT_THAT(HolmAdjusted(std::vector{0.9, 0.8}), ElementsAre(1, 1)); }

TEST(BenjaminiHochberg, TakesTheLeastOfLaterOnes) {
  EXPECT_THAT(BenjaminiHochbergAdjusted(std::vector{0.01, 0.04, 0.03, 0.005}),
              ElementsAre(DoubleNear(0.02, 1e-15), DoubleNear(0.04, 1e-15), DoubleNear(0.04, 1e-15),
                          DoubleNear(0.02, 1e-15)));
}

std::vector<double> Halves(std::size_t d) {
  std::vector<double> r(d * d, 0.5);
  for (std::size_t i = 0; i < d; ++i) r[i * d + i] = 1;
  return r;
}

// Two-sided 5 % points of Dunnett's table for infinitely many degrees of freedom, equal groups
// (Dunnett 1964, Biometrics 20:482; from memory).
TEST(SingleStep, CriticalValuesAreThoseOfDunnettsTable) {
  const std::vector<double> table = {1.96, 2.21, 2.35, 2.44, 2.51};
  for (std::size_t d = 1; d <= table.size(); ++d) {
    const auto found = AdjustSingleStep(std::vector<double>(d, 1.0), Halves(d));
    ASSERT_TRUE(found.ok()) << found.status();
    EXPECT_NEAR(found->critical, table[d - 1], 0.005 + 1e-9) << d;
  }
}

TEST(SingleStep, AtTheCriticalValueTheAdjustedPIsOneLessConfidence) {
  const auto first = AdjustSingleStep(std::vector{1.0, 1.0, 1.0}, Halves(3), 0.9);
  ASSERT_TRUE(first.ok());
  const auto at = AdjustSingleStep(std::vector{first->critical, 0.0, -1.0}, Halves(3), 0.9);
  ASSERT_TRUE(at.ok());
  EXPECT_NEAR(at->p_value[0], 0.1, 1e-10);
  EXPECT_EQ(at->p_value[1], 1);
}

TEST(SingleStep, StaysOfTheRightSizeFarOutInTheTails) {
  const auto found = AdjustSingleStep(std::vector{20.0, 1.0}, Halves(2));
  ASSERT_TRUE(found.ok());
  EXPECT_GE(found->p_value[0], TwoSidedNormalP(20));
  EXPECT_LE(found->p_value[0], 2.0001 * TwoSidedNormalP(20));
}

TEST(JointRestrictedMeans, HaveTheErrorsOfEachComparisonByItself) {
  Units units{.arms = 3};
  for (int i = 0; i < 12; ++i) {
    units.Add(i, 0, 4 + i % 5, i % 4 != 0);
    units.Add(i, 1, 3 + i % 7, true);
    units.Add(i / 2, 2, 2 + i % 3, i % 5 != 0);
  }
  const auto joint =
      CompareRestrictedMeansJointly(units.view(), std::vector<ArmPair>{{2, 0}, {1, 0}}, 4);
  ASSERT_TRUE(joint.ok()) << joint.status();
  for (const auto& [position, arm] : {std::pair{0, 2}, std::pair{3, 1}}) {
    const auto one = CompareRestrictedMeans(units.view(), arm, 0, 4, ErrorModel::kClusterRobust);
    ASSERT_TRUE(one.ok());
    EXPECT_NEAR(joint->difference[static_cast<std::size_t>(position) / 2], one->difference, 1e-12);
    EXPECT_NEAR(joint->covariance[static_cast<std::size_t>(position)],
                one->difference_standard_error * one->difference_standard_error, 1e-12);
  }
  EXPECT_EQ(joint->covariance[1], joint->covariance[2]);
  EXPECT_FALSE(CompareRestrictedMeansJointly(units.view(), std::vector<ArmPair>{{0, 0}}, 4).ok());
}

}  // namespace
}  // namespace plumule::stats
