#include "plugins/stats/joint_normal.h"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <vector>

namespace plumule::stats {
namespace {

double Within(double c) { return std::erf(c / std::numbers::sqrt2); }

JointProbability Of(const std::vector<double>& c, const std::vector<double>& r) {
  const auto found = ProbabilityWithin(c, r);
  EXPECT_TRUE(found.ok()) << found.status();
  return found.ok() ? *found : JointProbability{};
}

TEST(ProbabilityWithin, IsTheErrorFunctionForOneVariable) {
  EXPECT_NEAR(Of({1.3}, {1}).value, Within(1.3), 1e-14);
}

TEST(ProbabilityWithin, MultipliesWhereNothingIsCorrelated) {
  EXPECT_NEAR(Of({1, 2, 0.5}, {1, 0, 0, 0, 1, 0, 0, 0, 1}).value,
              Within(1) * Within(2) * Within(0.5), 1e-14);
}

TEST(ProbabilityWithin, TakesTheNarrowestWhereAllMoveTogether) {
  EXPECT_NEAR(Of({1, 2}, {1, 1, 1, 1}).value, Within(1), 1e-13);
  EXPECT_NEAR(Of({1, 2}, {1, -1, -1, 1}).value, Within(1), 1e-13);
  EXPECT_NEAR(Of({1, 2}, {1, 1 - 1e-12, 1 - 1e-12, 1}).value, Within(1), 1e-12);
}

TEST(ProbabilityWithin, IsNothingWhereAWidthIsNothing) {
  EXPECT_EQ(Of({0, 2}, {1, 0.4, 0.4, 1.0}).value, 0);
}

// Two pairs independent of each other: no products, so the lattice, against two quadratures.
TEST(ProbabilityWithin, OnTheLatticeAgreesWithQuadraturesItFallsApartInto) {
  const double pair = Of({1.5, 2}, {1, 0.7, 0.7, 1}).value;
  const double other = Of({1, 2.2}, {1, -0.6, -0.6, 1}).value;
  const auto all = Of({1.5, 2, 1, 2.2}, {1, 0.7, 0, 0, 0.7, 1, 0, 0, 0, 0, 1, -0.6, 0, 0, -0.6, 1});
  EXPECT_GT(all.error, 0);
  EXPECT_LT(all.error, 1e-5);
  EXPECT_NEAR(all.value, pair * other, 2 * all.error);
}

TEST(ProbabilityWithin, RefusesWhatIsNoCorrelationMatrix) {
  EXPECT_FALSE(ProbabilityWithin({}, {}).ok());
  EXPECT_FALSE(ProbabilityWithin(std::vector{1.0, 1.0}, std::vector{1.0, 0.5, 0.4, 1.0}).ok());
  EXPECT_FALSE(ProbabilityWithin(std::vector{-1.0}, std::vector{1.0}).ok());
  // Each correlation is possible, all three together are not.
  EXPECT_FALSE(ProbabilityWithin(std::vector{1.0, 1.0, 1.0},
                                 std::vector{1.0, 0.9, 0.9, 0.9, 1.0, -0.9, 0.9, -0.9, 1.0})
                   .ok());
}

}  // namespace
}  // namespace plumule::stats
