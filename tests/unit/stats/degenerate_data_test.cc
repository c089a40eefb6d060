// Data from which not everything can be estimated get an answer in words, never an infinity.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <vector>

#include "plugins/stats/cox.h"
#include "plugins/stats/cumulative_incidence.h"
#include "plugins/stats/first_in_block.h"
#include "plugins/stats/kaplan_meier.h"
#include "plugins/stats/log_rank.h"
#include "plugins/stats/paired_proportion.h"
#include "plugins/stats/pooled.h"
#include "plugins/stats/proportional_hazards.h"
#include "plugins/stats/quantile.h"
#include "plugins/stats/restricted_mean.h"
#include "tests/unit/stats/units.h"

namespace plumule::stats {
namespace {

using testing::HasSubstr;

// `blocks` pairs in which arm 1 is first.
Units AlwaysFirst(int blocks) {
  Units units;
  for (int block = 0; block < blocks; ++block) {
    units.Add(block, 1, 5 + block, true);
    units.Add(block, 0, 9 + block, block % 2 == 0);
  }
  return units;
}

TEST(KaplanMeierWithoutUnits, HasNoStepsAndNoFigures) {
  const auto curve = KaplanMeier({}, {});
  ASSERT_TRUE(curve.ok());
  EXPECT_TRUE(curve->steps.empty());
  EXPECT_EQ(ReachedBy(*curve, 5).status().code(), absl::StatusCode::kFailedPrecondition);
  EXPECT_EQ(DaysToQuantile(*curve, 0.5).status().code(), absl::StatusCode::kFailedPrecondition);
  EXPECT_EQ(RestrictedMeanDays(*curve, 5).status().code(), absl::StatusCode::kFailedPrecondition);
}

TEST(KaplanMeierWithoutEvents, ReachesNothingAndSaysWhereFollowUpEnds) {
  const std::vector<double> time = {4, 4, 8};
  const std::vector<std::uint8_t> event = {0, 0, 0};
  const auto curve = KaplanMeier(time, event);
  const auto reached = ReachedBy(*curve, 8);
  EXPECT_EQ(reached->share, 0);
  EXPECT_FALSE(reached->limits.has_value());
  EXPECT_FALSE(reached->past_follow_up);
  EXPECT_TRUE(ReachedBy(*curve, 8.5)->past_follow_up);
  EXPECT_FALSE(DaysToQuantile(*curve, 0.25)->days.has_value());
  EXPECT_EQ(RestrictedMeanDays(*curve, 6)->mean, 6);
  EXPECT_EQ(RestrictedMeanDays(*curve, 6)->standard_error, 0);
}

TEST(KaplanMeierThatFallsToZero, HasNoVarianceOfItsOwnThere) {
  const std::vector<double> time = {2, 2, 2};
  const std::vector<std::uint8_t> event = {1, 1, 1};
  const auto curve = KaplanMeier(time, event);
  EXPECT_EQ(curve->steps.front().survival, 0);
  EXPECT_EQ(curve->steps.front().variance(), 0);
  EXPECT_EQ(DaysToQuantile(*curve, 0.5)->days, 2);
  EXPECT_FALSE(DaysToQuantile(*curve, 0.5)->lower.has_value());
}

TEST(MedianOfACurveAtExactlyOneHalf, IsTheMiddleOfItsFlatStretch) {
  const std::vector<double> time = {2, 4, 6, 8};
  const std::vector<std::uint8_t> event = {1, 1, 1, 1};
  EXPECT_EQ(DaysToQuantile(*KaplanMeier(time, event), 0.5)->days, 5);
  // The flat stretch has no end but the last observed time.
  const std::vector<std::uint8_t> censored_after = {1, 1, 0, 0};
  EXPECT_EQ(DaysToQuantile(*KaplanMeier(time, censored_after), 0.5)->days, 6);
}

TEST(RestrictedMeansWithoutEvents, DifferByNothingWithoutAPValue) {
  Units units;
  units.Add(1, 0, 30, false);
  units.Add(1, 1, 30, false);
  for (ErrorModel errors : {ErrorModel::kIndependent, ErrorModel::kClusterRobust}) {
    const auto contrast = CompareRestrictedMeans(units.view(), 1, 0, 20, errors);
    ASSERT_TRUE(contrast.ok());
    EXPECT_EQ(contrast->difference, 0);
    EXPECT_EQ(contrast->difference_standard_error, 0);
    EXPECT_FALSE(contrast->difference_p_value.has_value());
    EXPECT_FALSE(contrast->ratio->p_value.has_value());
  }
}

TEST(RestrictedMeansOfZero, HaveADifferenceButNoRatio) {
  Units units;
  units.Add(1, 0, 0, true);
  units.Add(1, 1, 3, true);
  const auto contrast = CompareRestrictedMeans(units.view(), 1, 0, 20, ErrorModel::kClusterRobust);
  EXPECT_EQ(contrast->difference, 3);
  EXPECT_FALSE(contrast->ratio.has_value());
}

TEST(RestrictedMeansWithAnEmptyArm, AreAnErrorInWords) {
  Units units;
  units.Add(1, 0, 3, true);
  const auto contrast = CompareRestrictedMeans(units.view(), 1, 0, 20, ErrorModel::kIndependent);
  EXPECT_EQ(contrast.status().code(), absl::StatusCode::kFailedPrecondition);
}

TEST(LogRankWithAnEmptyArm, LeavesItOutAndLosesADegreeOfFreedom) {
  Units two = FreireichPairs();
  Units three = FreireichPairs();
  three.arms = 3;
  const auto of_two = TestLogRank(two.view(), Stratification::kNone);
  const auto of_three = TestLogRank(three.view(), Stratification::kNone);
  EXPECT_EQ(of_three->test.degrees_of_freedom, 1);
  EXPECT_EQ(of_three->test.statistic, of_two->test.statistic);
  EXPECT_EQ(of_three->units[2], 0);
  EXPECT_THAT(of_three->remark, HasSubstr("arm 2"));
  EXPECT_EQ(of_two->remark, "");
}

TEST(LogRankWithNothingToCompare, SaysSoInsteadOfDividingByZero) {
  Units all_censored, all_tied, no_rows, one_arm_a_block;
  for (int arm : {0, 1}) {
    all_censored.Add(1, arm, 3, false);
    all_tied.Add(1, arm, 3, true);
    one_arm_a_block.Add(arm, arm, 3 + arm, true);
  }
  for (const Units* units : {&all_censored, &all_tied, &no_rows, &one_arm_a_block}) {
    const auto test = TestLogRank(units->view(), Stratification::kByBlock);
    ASSERT_TRUE(test.ok());
    EXPECT_EQ(test->test.degrees_of_freedom, 0);
    EXPECT_EQ(test->test.statistic, 0);
    EXPECT_FALSE(test->test.p_value.has_value());
    EXPECT_THAT(test->remark, HasSubstr("cannot be compared"));
    EXPECT_EQ(test->informative_strata, 0);
  }
}

TEST(LogRankOfArmsInSeparateGroups, GivesEachGroupItsDegreesOfFreedom) {
  // Arms 0 and 1 only ever meet each other, and so do 2 and 3.
  Units units{.arms = 4};
  for (int i = 0; i < 6; ++i) {
    units.Add(1, i % 2, 3 + i, true);
    units.Add(2, 2 + i % 2, 3 + i, true);
  }
  const auto test = TestLogRank(units.view(), Stratification::kByBlock);
  EXPECT_EQ(test->test.degrees_of_freedom, 2);
  EXPECT_THAT(test->remark, HasSubstr("2 groups"));
  Units half;
  for (int i = 0; i < 6; ++i) half.Add(1, i % 2, 3 + i, true);
  const auto of_half = TestLogRank(half.view(), Stratification::kByBlock);
  EXPECT_NEAR(test->test.statistic, 2 * of_half->test.statistic, 1e-12);
}

TEST(CoxWithNothingToCompare, IsNotEstimable) {
  Units all_censored, all_tied, no_rows;
  for (int arm : {0, 1}) {
    all_censored.Add(1, arm, 3, false);
    all_tied.Add(1, arm, 3, true);
  }
  for (const Units* units : {&all_censored, &all_tied, &no_rows}) {
    const auto fit = FitCox(units->view(), 0, {});
    ASSERT_TRUE(fit.ok());
    EXPECT_EQ(fit->status, FitStatus::kNotEstimable);
    EXPECT_THAT(fit->reason, HasSubstr("no hazard ratio can be estimated"));
    EXPECT_FALSE(fit->wald || fit->likelihood_ratio || fit->score);
    EXPECT_EQ(fit->log_likelihood, fit->log_likelihood_null);
  }
}

TEST(CoxOfATiedPair, SaysNothingWithExactTiesAndNoDifferenceWithEfron) {
  Units units;
  units.Add(1, 0, 3, true);
  units.Add(1, 1, 3, true);
  EXPECT_EQ(FitCox(units.view(), 0, {})->status, FitStatus::kNotEstimable);
  const auto efron = FitCox(units.view(), 0, {.ties = Ties::kEfron});
  EXPECT_EQ(efron->status, FitStatus::kConverged);
  EXPECT_NEAR(efron->coefficient[1], 0, 1e-12);
}

TEST(SeparatedCox, IsReportedWithAFiniteOneSidedLimit) {
  constexpr int kBlocks = 8;
  const auto fit = FitCox(AlwaysFirst(kBlocks).view(), 0, {});
  ASSERT_TRUE(fit.ok());
  EXPECT_EQ(fit->status, FitStatus::kSeparated);
  EXPECT_EQ(fit->state[1], CoefficientState::kPlusInfinity);
  EXPECT_THAT(fit->reason, HasSubstr("arm 1"));
  EXPECT_EQ(fit->coefficient[1], 0);
  EXPECT_FALSE(fit->wald.has_value());
  // Each pair adds log(1 / (1 + e^−β)): supremum 0, log-likelihood −8 log 2 at 0.
  EXPECT_NEAR(fit->log_likelihood, 0, 1e-12);
  EXPECT_NEAR(fit->likelihood_ratio->statistic, 2 * kBlocks * std::log(2.0), 1e-12);
  EXPECT_NEAR(fit->score->statistic, kBlocks, 1e-12);
  // 8 log(1 / (1 + e^−β)) = −3.841458820694124 / 2.
  const double share = std::exp(-3.841458820694124 / 2 / kBlocks);
  ASSERT_TRUE(fit->profile_limit.has_value());
  EXPECT_NEAR(*fit->profile_limit, std::log(share / (1 - share)), 1e-9);
}

TEST(SeparatedCox, SeenFromTheOtherArmIsItsMirrorImage) {
  const auto fit = FitCox(AlwaysFirst(8).view(), 0, {});
  const auto mirrored = FitCox(AlwaysFirst(8).view(), 1, {});
  EXPECT_EQ(mirrored->state[0], CoefficientState::kMinusInfinity);
  EXPECT_NEAR(*mirrored->profile_limit, -*fit->profile_limit, 1e-9);
}

TEST(SeparatedCox, StillFitsTheArmsThatCanBeCompared) {
  Units two = FreireichPairs();
  Units three = FreireichPairs();
  three.arms = 3;
  for (int pair = 0; pair < 21; ++pair) three.Add(pair, 2, 0.5, true);
  for (Ties ties : {Ties::kExact, Ties::kEfron, Ties::kBreslow}) {
    const auto of_two = FitCox(two.view(), 0, {.ties = ties});
    const auto of_three = FitCox(three.view(), 0, {.ties = ties});
    EXPECT_EQ(of_three->status, FitStatus::kSeparated);
    EXPECT_EQ(of_three->state[2], CoefficientState::kPlusInfinity);
    EXPECT_EQ(of_three->state[1], CoefficientState::kFinite);
    EXPECT_NEAR(of_three->coefficient[1], of_two->coefficient[1], 1e-9);
    EXPECT_NEAR(of_three->standard_error[1], of_two->standard_error[1], 1e-9);
    EXPECT_EQ(of_three->likelihood_ratio->degrees_of_freedom, 2);
  }
}

TEST(CoxWithAnEmptyArm, IsPartialAndFitsTheRest) {
  Units units = FreireichPairs();
  units.arms = 3;
  const auto fit = FitCox(units.view(), 0, {});
  EXPECT_EQ(fit->status, FitStatus::kPartial);
  EXPECT_EQ(fit->state[2], CoefficientState::kNotEstimable);
  EXPECT_NEAR(std::exp(fit->coefficient[1]), 6, 1e-10);
  EXPECT_EQ(fit->score->degrees_of_freedom, 1);
}

TEST(CoxThatRunsOutOfIterations, SaysSo) {
  const auto fit = FitCox(FreireichPairs().view(), 0, {.max_iterations = 1});
  EXPECT_EQ(fit->status, FitStatus::kNotConverged);
  EXPECT_THAT(fit->reason, HasSubstr("did not settle in 1 iterations"));
  EXPECT_EQ(fit->coefficient[1], 0);
  EXPECT_FALSE(fit->wald || fit->likelihood_ratio || fit->score);
}

TEST(ClusterRobustCoxOfOneBlock, FallsBackAloud) {
  Units units = FreireichPairs();
  for (std::int32_t& block : units.block) block = 1;
  const auto fit =
      FitCox(units.view(), 0,
             {.ties = Ties::kEfron, .strata = Stratification::kNone, .cluster_robust = true});
  ASSERT_TRUE(fit.ok());
  EXPECT_FALSE(fit->robust_covariance.has_value());
  EXPECT_THAT(fit->reason, HasSubstr("the errors given are model-based"));
  EXPECT_EQ(fit->blocks, 1);
}

TEST(FirstInBlock, CallsWhatCensoringHidesUnknown) {
  Units units;
  units.Add(1, 0, 3, false);  // censored before the other's event
  units.Add(1, 1, 9, true);
  units.Add(2, 0, 9, false);  // censored on the day of the other's event: known not to have it
  units.Add(2, 1, 9, true);
  units.Add(3, 0, 9, true);  // same day
  units.Add(3, 1, 9, true);
  units.Add(4, 0, 9, false);  // nobody ever
  units.Add(4, 1, 4, false);
  units.Add(5, 1, 4, true);  // no partner
  const auto first = CountFirstInBlock(units.view(), 1, 0);
  EXPECT_EQ(first->arm_first, 1);
  EXPECT_EQ(first->against_first, 0);
  EXPECT_EQ(first->tied, 1);
  EXPECT_EQ(first->unknown, 2);
  EXPECT_EQ(first->unequal, 1);
}

TEST(SignTest, OfNoDecidedBlockIsAbsent) {
  const auto test = TestSign(0, 0);
  ASSERT_TRUE(test.ok());
  EXPECT_FALSE(test->has_value());
}

TEST(McNemar, WithoutDiscordantPairsTestsNothing) {
  const PairedCounts pairs{.both = 7, .neither = 3};
  EXPECT_FALSE(McNemar(pairs, Continuity::kNone)->p_value.has_value());
  EXPECT_EQ(*McNemarExact(pairs), 1);
  EXPECT_EQ(*McNemarMidP(pairs), 1);
}

TEST(PoolOfOneStudy, IsThatStudy) {
  const std::vector<Effect> one = {{.estimate = 0.4, .variance = 0.04}};
  for (TauSquaredMethod method :
       {TauSquaredMethod::kCommonEffect, TauSquaredMethod::kDerSimonianLaird,
        TauSquaredMethod::kPauleMandel, TauSquaredMethod::kReml}) {
    const auto pooled = Pool(one, {.method = method, .errors = PooledErrors::kNormal});
    EXPECT_EQ(pooled->tau_squared, 0);
    EXPECT_EQ(pooled->estimate, 0.4);
    EXPECT_NEAR(pooled->standard_error, 0.2, 1e-15);
    EXPECT_FALSE(PredictionInterval(*pooled, PredictionConvention::kTKMinusOne).has_value());
  }
  const auto adjusted = Pool(one, {});
  EXPECT_FALSE(adjusted->limits.has_value());
  EXPECT_THAT(adjusted->remark, HasSubstr("at least two studies"));
  EXPECT_FALSE(TauSquaredLimits(one)->has_value());
  EXPECT_TRUE(LeaveOneOut(one, {})->empty());
  EXPECT_FALSE(MeasureHeterogeneity(one, TauSquaredMethod::kReml, 0)->q.p_value.has_value());
}

TEST(PoolOfTwoStudies, HasEverythingButThePredictionOnKMinusTwo) {
  const std::vector<Effect> two = {{0.1, 0.04}, {0.9, 0.04}};
  const auto pooled = Pool(two, {});
  EXPECT_NEAR(pooled->estimate, 0.5, 1e-15);
  // Equal variances: REML, like the others, gives the variance of the estimates less 0.04.
  EXPECT_NEAR(pooled->tau_squared, 0.32 - 0.04, 1e-12);
  EXPECT_EQ(pooled->degrees_of_freedom, 1);
  EXPECT_FALSE(PredictionInterval(*pooled, PredictionConvention::kTKMinusTwo).has_value());
  EXPECT_TRUE(PredictionInterval(*pooled, PredictionConvention::kTKMinusOne).has_value());
}

TEST(PoolOfStudiesThatAgreeExactly, HasNoVarianceBetweenThemAndASafeguard) {
  const std::vector<Effect> studies = {{0.5, 0.1}, {0.5, 0.2}, {0.5, 0.3}};
  for (TauSquaredMethod method : {TauSquaredMethod::kDerSimonianLaird,
                                  TauSquaredMethod::kPauleMandel, TauSquaredMethod::kReml}) {
    const auto bare = Pool(studies, {.method = method, .errors = PooledErrors::kHartungKnapp});
    EXPECT_TRUE(bare->converged);
    EXPECT_EQ(bare->tau_squared, 0);
    EXPECT_EQ(bare->standard_error, 0);
    EXPECT_FALSE(bare->p_value.has_value());
    EXPECT_THAT(bare->remark, HasSubstr("vanish"));
    const auto safe = Pool(studies, {.method = method});
    EXPECT_GT(safe->standard_error, 0);
    EXPECT_TRUE(safe->p_value.has_value());
  }
  const auto limits = TauSquaredLimits(studies);
  EXPECT_EQ(limits->value().lower, 0);
  EXPECT_EQ(limits->value().upper, 0);
}

TEST(Trend, HasNothingToTestWhereScoresDoNotTellComparedArmsApart) {
  Units units{.arms = 3};
  for (int i = 0; i < 5; ++i) {
    units.Add(i, 0, 5 + i, true);
    units.Add(i, 1, 7, true);
    units.Add(i, 2, 9, false);
  }
  const auto log_rank = TestLogRank(units.view(), Stratification::kByBlock);
  const std::vector<double> alike = {4, 4, 4};
  EXPECT_FALSE(TestTrend(*log_rank, alike)->p_value.has_value());
  const std::vector<double> steps = {0, 1, 2};
  EXPECT_TRUE(TestTrend(*log_rank, steps)->p_value.has_value());
  Units nobody{.arms = 3};
  for (int arm = 0; arm < 3; ++arm) nobody.Add(1, arm, 9, false);
  const auto nothing = TestLogRank(nobody.view(), Stratification::kByBlock);
  EXPECT_FALSE(TestTrend(*nothing, steps)->p_value.has_value());
  EXPECT_FALSE(TestPetoPeto(nobody.view())->test.p_value.has_value());
}

TEST(Trend, IsTheLogRankTestForTwoArms) {
  const auto log_rank = TestLogRank(FreireichPairs().view(), Stratification::kNone);
  const std::vector<double> doses = {-1e9, 1e9};
  EXPECT_NEAR(TestTrend(*log_rank, doses)->statistic, log_rank->test.statistic, 1e-9);
}

TEST(ProportionalHazards, AreNotTestedWithoutAFiniteFitOrWithEventsAtOneTime) {
  Units separated;
  Units one_day;
  for (int i = 0; i < 6; ++i) {
    separated.Add(i, 0, 9, true);
    separated.Add(i, 1, 4, true);
    one_day.Add(i, 0, i % 2 == 0 ? 7 : 20, i % 2 == 0);
    one_day.Add(i, 1, i % 3 == 0 ? 20 : 7, i % 3 != 0);
  }
  for (const Stratification strata : {Stratification::kNone, Stratification::kByBlock}) {
    const auto first = TestProportionalHazards(separated.view(), 0, strata, TimeScale::kIdentity);
    EXPECT_EQ(first->fit, FitStatus::kSeparated);
    EXPECT_FALSE(first->global.has_value());
    const auto second = TestProportionalHazards(one_day.view(), 0, strata, TimeScale::kIdentity);
    EXPECT_EQ(second->fit, FitStatus::kConverged);
    EXPECT_FALSE(second->global.has_value());
    EXPECT_FALSE(second->arm[1].has_value());
  }
}

TEST(CumulativeIncidence, HasNoLimitsAtNothingAndAtAll) {
  const std::vector<double> time = {3, 4, 5};
  const std::vector<std::uint8_t> censored = {0, 0, 0}, reached = {1, 1, 1}, rotted = {2, 2, 2};
  for (const auto& outcome : {censored, rotted}) {
    const auto none = IncidenceBy({.time = time, .outcome = outcome}, 4);
    EXPECT_EQ(none->share, 0);
    EXPECT_FALSE(none->limits.has_value());
  }
  const auto all = IncidenceBy({.time = time, .outcome = reached}, 9);
  EXPECT_EQ(all->share, 1);
  EXPECT_FALSE(all->limits.has_value());
  EXPECT_FALSE(all->past_follow_up);
  EXPECT_TRUE(IncidenceBy({.time = time, .outcome = censored}, 9)->past_follow_up);
  EXPECT_FALSE(IncidenceBy({.time = time, .outcome = rotted}, 9)->past_follow_up);
  EXPECT_EQ(IncidenceBy({.time = time, .outcome = reached}, 1)->share, 0);
}

TEST(CumulativeIncidence, WantsOneRowAUnitAndKnownOutcomes) {
  const std::vector<double> time = {3, 4};
  const std::vector<std::uint8_t> unknown = {1, 3}, short_one = {1};
  EXPECT_EQ(IncidenceBy({.time = time, .outcome = unknown}, 4).status().code(),
            absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(IncidenceBy({.time = time, .outcome = short_one}, 4).status().code(),
            absl::StatusCode::kInvalidArgument);
  EXPECT_EQ(IncidenceBy({}, 4).status().code(), absl::StatusCode::kFailedPrecondition);
}

TEST(CountsBeyond32Bits, DoNotOverflow) {
  // 100,000 units an arm, all looked at on three days: products of counts near 10^10.
  Units units;
  for (int i = 0; i < 100000; ++i) {
    units.Add(i, 0, 3 + 3 * (i % 3), true);
    units.Add(i, 1, 3 + 3 * (i % 3), i % 2 == 0);
  }
  const auto test = TestLogRank(units.view(), Stratification::kNone);
  const auto fit = FitCox(units.view(), 0, {.strata = Stratification::kNone});
  EXPECT_EQ(fit->status, FitStatus::kConverged);
  EXPECT_LT(fit->coefficient[1], 0);
  EXPECT_GT(test->test.statistic, 1000);
  EXPECT_NEAR(fit->score->statistic, test->test.statistic, 1e-6 * test->test.statistic);
  EXPECT_GE(*FisherExact({60000, 100000, 30000, 100000}), 0);
  EXPECT_NEAR(*FisherExact({50000, 100000, 50000, 100000}), 1, 1e-9);
}

}  // namespace
}  // namespace plumule::stats
