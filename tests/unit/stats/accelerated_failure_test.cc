// Time ratios over interval-censored times.
#include "plugins/stats/accelerated_failure.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include <cmath>
#include <limits>
#include <numeric>
#include <vector>

namespace plumule::stats {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr TimeModel kModels[] = {TimeModel::kWeibull, TimeModel::kLogNormal,
                                 TimeModel::kLogLogistic};

struct Looks {
  std::vector<double> lower = {};
  std::vector<double> upper = {};
  std::vector<std::int32_t> arm = {};
  std::vector<std::int32_t> block = {};

  void Add(int in_block, int in_arm, double from, double to) {
    block.push_back(in_block);
    arm.push_back(in_arm);
    lower.push_back(from);
    upper.push_back(to);
  }
  IntervalTimes view(int arms = 2) const {
    return {.lower = lower, .upper = upper, .arm = arm, .block = block, .arms = arms};
  }
};

AcceleratedFailureFit Fit(const Looks& looks, TimeModel model = TimeModel::kWeibull,
                          int against = 0) {
  const auto fit = FitAcceleratedFailure(looks.view(), against, {.model = model});
  EXPECT_TRUE(fit.ok()) << fit.status();
  return fit.ok() ? *fit : AcceleratedFailureFit();
}

// Arms 0 and 1 in each of 12 blocks, looked at every third day; some are never seen.
Looks Draw() {
  Looks looks;
  for (int block = 0; block < 12; ++block) {
    for (int arm = 0; arm < 2; ++arm) {
      const double from = 3.0 * *rc::gen::inRange(1, 9);
      looks.Add(block, arm, from, *rc::gen::inRange(0, 5) > 0 ? from + 3 : kInfinity);
    }
  }
  return looks;
}

// At the maximum over exact times the lognormal model is least squares on the log.
TEST(AcceleratedFailure, IsLeastSquaresForExactLognormalTimes) {
  Looks looks;
  const double days[2][4] = {{10, 12, 15, 30}, {5, 9, 9, 14}};
  double mean[2] = {0, 0};
  double squares = 0;
  for (int arm = 0; arm < 2; ++arm) {
    for (int i = 0; i < 4; ++i) {
      looks.Add(i, arm, days[arm][i], days[arm][i]);
      mean[arm] += std::log(days[arm][i]) / 4;
    }
    for (const double day : days[arm]) squares += std::pow(std::log(day) - mean[arm], 2);
  }
  const auto fit = Fit(looks, TimeModel::kLogNormal);
  ASSERT_EQ(fit.status, AcceleratedFailureStatus::kConverged);
  EXPECT_NEAR(fit.coefficient[1], mean[1] - mean[0], 1e-12);
  EXPECT_NEAR(fit.log_scale, std::log(squares / 8) / 2, 1e-12);
  EXPECT_NEAR(fit.aic, 6 - 2 * fit.log_likelihood, 1e-12);
}

TEST(AcceleratedFailure, ArmNeverSeenToHaveTheEventIsInfinitelyLate) {
  Looks looks;
  for (int block = 0; block < 8; ++block) {
    looks.Add(block, 0, 5 + block, 6 + block);
    looks.Add(block, 1, 20, kInfinity);
  }
  const auto fit = Fit(looks);
  EXPECT_EQ(fit.status, AcceleratedFailureStatus::kConverged);
  EXPECT_EQ(fit.state[1], CoefficientState::kPlusInfinity);
  EXPECT_EQ(Fit(looks, TimeModel::kWeibull, 1).state[0], CoefficientState::kMinusInfinity);
}

TEST(AcceleratedFailure, ArmAlwaysThereAtItsFirstLookIsInfinitelySoon) {
  Looks looks;
  for (int block = 0; block < 8; ++block) {
    looks.Add(block, 0, 5 + block, 6 + block);
    looks.Add(block, 1, 0, 3);
  }
  EXPECT_EQ(Fit(looks).state[1], CoefficientState::kMinusInfinity);
}

TEST(AcceleratedFailure, NoSpreadWhereIntervalsOfEachArmShareADay) {
  Looks tied;
  Looks touching;
  for (int block = 0; block < 8; ++block) {
    tied.Add(block, 0, 7, 7);
    tied.Add(block, 1, 4, 6);
    touching.Add(block, 0, 6 + block % 2, 7 + block % 2);
    touching.Add(block, 1, 9, kInfinity);
  }
  for (const TimeModel model : kModels) {
    EXPECT_EQ(Fit(tied, model).status, AcceleratedFailureStatus::kNoSpread);
    EXPECT_EQ(Fit(touching, model).status, AcceleratedFailureStatus::kNoSpread);
  }
}

TEST(AcceleratedFailure, EndlessSpreadWhereLaterLooksSawFewer) {
  Looks looks;
  for (int block = 0; block < 12; ++block) {
    for (int arm = 0; arm < 2; ++arm) {
      const bool seen_early = block % 3 > 0;  // two of three by day 5, one of three by day 20
      looks.Add(block, arm, seen_early ? 0 : 5, seen_early ? 5 : kInfinity);
      looks.Add(block, arm, seen_early ? 20 : 0, seen_early ? kInfinity : 20);
    }
  }
  for (const TimeModel model : kModels) {
    EXPECT_EQ(Fit(looks, model).status, AcceleratedFailureStatus::kEndlessSpread);
  }
}

TEST(AcceleratedFailure, NothingToFitWithoutEvents) {
  Looks looks;
  looks.Add(0, 0, 20, kInfinity);
  looks.Add(0, 1, 20, kInfinity);
  EXPECT_EQ(Fit(looks).status, AcceleratedFailureStatus::kNothingToFit);
  EXPECT_EQ(Fit(looks).state[1], CoefficientState::kNotEstimable);
  EXPECT_EQ(Fit(Looks()).status, AcceleratedFailureStatus::kNothingToFit);
}

TEST(AcceleratedFailure, TakesDayZeroAsTheFirstHalfDay) {
  Looks zero;
  Looks half;
  for (int block = 0; block < 6; ++block) {
    for (int arm = 0; arm < 2; ++arm) {
      zero.Add(block, arm, block, block == 0 ? 0 : block + 2 + arm);
      half.Add(block, arm, block, block == 0 ? 0.5 : block + 2 + arm);
    }
  }
  EXPECT_EQ(Fit(zero).coefficient, Fit(half).coefficient);
}

TEST(AcceleratedFailure, GivesNoErrorsWithoutMoreBlocksThanParameters) {
  Looks looks;
  for (int unit = 0; unit < 12; ++unit) looks.Add(unit % 3, unit % 2, 5 + unit, 7 + unit);
  EXPECT_FALSE(Fit(looks).standard_error.has_value());
  for (int unit = 0; unit < 12; ++unit) looks.block[static_cast<std::size_t>(unit)] = unit % 4;
  EXPECT_TRUE(Fit(looks).standard_error.has_value());
}

TEST(AcceleratedFailure, RefusesWhatItCannotUse) {
  const auto message = [](const Looks& looks, const AcceleratedFailureOptions& options) {
    return std::string(FitAcceleratedFailure(looks.view(), 0, options).status().message());
  };
  Looks looks;
  looks.Add(0, 0, 5, 4);
  EXPECT_THAT(message(looks, {}), testing::HasSubstr("upper of row 0 is 4"));
  looks.upper[0] = std::numeric_limits<double>::quiet_NaN();
  EXPECT_THAT(message(looks, {}), testing::HasSubstr("upper of row 0 is nan"));
  looks.upper[0] = 6;
  EXPECT_THAT(message(looks, {.confidence = 1}), testing::HasSubstr("confidence is 1"));
  EXPECT_THAT(message(looks, {.day_zero_ends = 0}), testing::HasSubstr("day_zero_ends is 0"));
  looks.arm[0] = 2;
  EXPECT_THAT(message(looks, {}), testing::HasSubstr("arm of row 0 is 2"));
}

RC_GTEST_PROP(AcceleratedFailureProperty, RewritingRowsAndBlocksChangesNoDigit, ()) {
  const Looks looks = Draw();
  Looks other;
  for (std::size_t i = looks.lower.size(); i-- > 0;) {
    other.Add(-3 * looks.block[i] + 5, looks.arm[i], looks.lower[i], looks.upper[i]);
  }
  for (const TimeModel model : kModels) {
    const auto one = Fit(looks, model);
    const auto two = Fit(other, model);
    RC_ASSERT(one.status == two.status);
    RC_ASSERT(one.coefficient == two.coefficient);
    RC_ASSERT(one.log_likelihood == two.log_likelihood);
    RC_ASSERT(one.standard_error == two.standard_error);
  }
}

RC_GTEST_PROP(AcceleratedFailureProperty, TheOtherArmTakesTheInverseRatio, ()) {
  const Looks looks = Draw();
  for (const TimeModel model : kModels) {
    const auto one = Fit(looks, model);
    const auto other = Fit(looks, model, 1);
    RC_ASSERT(one.status == other.status);
    if (one.status != AcceleratedFailureStatus::kConverged) continue;
    if (one.state[1] != CoefficientState::kFinite) continue;
    RC_ASSERT(one.coefficient[1] == -other.coefficient[0]);
    RC_ASSERT((*one.standard_error)[1] == (*other.standard_error)[0]);
  }
}

RC_GTEST_PROP(AcceleratedFailureProperty, TheUnitOfTimeDoesNotMatter, ()) {
  const Looks looks = Draw();
  Looks hours = looks;
  for (double& time : hours.lower) time *= 24;
  for (double& time : hours.upper) time *= 24;
  for (const TimeModel model : kModels) {
    const auto one = Fit(looks, model);
    const auto other = Fit(hours, model);
    RC_ASSERT(one.status == other.status);
    if (one.status != AcceleratedFailureStatus::kConverged) continue;
    RC_ASSERT(std::abs(one.coefficient[1] - other.coefficient[1]) < 1e-8);
    RC_ASSERT(std::abs(one.log_scale - other.log_scale) < 1e-8);
  }
}

}  // namespace
}  // namespace plumule::stats
