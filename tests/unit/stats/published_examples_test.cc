// Worked examples from the literature. Digits beyond those printed in the source were computed with
// R 4.2.2 (survival 3.5-3, metafor 3.8-1), as said beside each.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <vector>

#include "plugins/stats/cox.h"
#include "plugins/stats/effect_size.h"
#include "plugins/stats/first_in_block.h"
#include "plugins/stats/kaplan_meier.h"
#include "plugins/stats/log_rank.h"
#include "plugins/stats/paired_proportion.h"
#include "plugins/stats/pooled.h"
#include "plugins/stats/proportion.h"
#include "plugins/stats/proportion_difference.h"
#include "plugins/stats/quantile.h"
#include "tests/unit/stats/units.h"

namespace plumule::stats {
namespace {

using testing::DoubleNear;
using testing::ElementsAre;

// Half a unit of the last digit given.
constexpr double kSixDigits = 0.5e-6;

TEST(FreireichPairs, CurveOfTheTreatedIsTheTextbookOne) {
  // Kalbfleisch & Prentice 2002, table 1.1 data; estimates printed in many textbooks.
  const auto curves = KaplanMeierByArm(FreireichPairs().view());
  ASSERT_TRUE(curves.ok());
  const KaplanMeierCurve& treated = curves->front();
  EXPECT_NEAR(treated.At(6)->survival, 0.857, 0.0005);
  EXPECT_NEAR(treated.At(10)->survival, 0.753, 0.0005);
  EXPECT_NEAR(treated.At(23)->survival, 0.448, 0.0005);
}

TEST(FreireichPairs, MediansAre23And8Weeks) {
  const auto curves = KaplanMeierByArm(FreireichPairs().view());
  EXPECT_EQ(DaysToQuantile(curves->at(0), 0.5)->days, 23);
  EXPECT_EQ(DaysToQuantile(curves->at(1), 0.5)->days, 8);
}

TEST(FreireichPairs, LogRankIs16Point79) {
  // Chi-square 16.79 in many textbooks (value from memory); further digits R survdiff.
  const auto test = TestLogRank(FreireichPairs().view(), Stratification::kNone);
  ASSERT_TRUE(test.ok());
  EXPECT_NEAR(test->test.statistic, 16.792941, kSixDigits);
  EXPECT_THAT(test->observed, ElementsAre(9, 21));
  EXPECT_THAT(test->expected,
              ElementsAre(DoubleNear(19.250501, kSixDigits), DoubleNear(10.749499, kSixDigits)));
  EXPECT_NEAR(test->covariance[0], 6.256961, kSixDigits);
}

TEST(FreireichPairs, LogRankWithinPairsIsTheSignTestOf18To3) {
  // (18 − 3)² / 21.
  const auto test = TestLogRank(FreireichPairs().view(), Stratification::kByBlock);
  EXPECT_NEAR(test->test.statistic, 225.0 / 21.0, 1e-12);
  EXPECT_EQ(test->informative_strata, 21);
}

TEST(FreireichPairs, ExactHazardRatioWithinPairsIsSix) {
  // 18 / 3: with one pair a stratum the conditional likelihood is a binomial one.
  const auto fit = FitCox(FreireichPairs().view(), 0, {});
  ASSERT_TRUE(fit.ok());
  EXPECT_EQ(fit->status, FitStatus::kConverged);
  EXPECT_NEAR(std::exp(fit->coefficient[1]), 6, 1e-10);
  EXPECT_NEAR(fit->standard_error[1], std::sqrt(1.0 / 18 + 1.0 / 3), 1e-10);
  EXPECT_NEAR(fit->score->statistic, 225.0 / 21.0, 1e-10);
}

TEST(FreireichPairs, CoefficientsWithoutStrataAreThoseOfRForAllTies) {
  // R coxph, survival 3.5-3.
  const auto coefficient = [](Ties ties) {
    return FitCox(FreireichPairs().view(), 0, {.ties = ties, .strata = Stratification::kNone})
        ->coefficient[1];
  };
  EXPECT_NEAR(coefficient(Ties::kEfron), 1.572125, kSixDigits);
  EXPECT_NEAR(coefficient(Ties::kBreslow), 1.509191, kSixDigits);
  EXPECT_NEAR(coefficient(Ties::kExact), 1.628244, kSixDigits);
}

TEST(FreireichPairs, PlaceboRelapsedFirstIn18PairsOf21) {
  // Freireich et al. 1963: preferences 18 to 3.
  const auto first = CountFirstInBlock(FreireichPairs().view(), 1, 0);
  ASSERT_TRUE(first.ok());
  EXPECT_EQ(first->arm_first, 18);
  EXPECT_EQ(first->against_first, 3);
  const auto test = TestSign(first->arm_first, first->against_first);
  // 2 (1 + 21 + 210 + 1330) / 2²¹.
  EXPECT_NEAR(test->value().p_value, 2 * 1562.0 / 2097152.0, 1e-15);
}

// Thirteen trials of BCG vaccine against tuberculosis: Colditz et al. 1994, JAMA 271:698 (R:
// metadat::dat.bcg). Cases and trials, vaccinated then control.
std::vector<TwoProportions> BcgTrials() {
  return {{4, 123, 11, 139},       {6, 306, 29, 303},        {3, 231, 11, 220},
          {62, 13598, 248, 12867}, {33, 5069, 47, 5808},     {180, 1541, 372, 1451},
          {8, 2545, 10, 629},      {505, 88391, 499, 88391}, {29, 7499, 45, 7277},
          {17, 1716, 65, 1665},    {186, 50634, 141, 27338}, {5, 2498, 3, 2341},
          {27, 16913, 29, 17854}};
}

std::vector<Effect> BcgEffects() {
  std::vector<Effect> effects;
  for (const TwoProportions& trial : BcgTrials()) effects.push_back(*LogRiskRatio(trial));
  return effects;
}

TEST(BcgTrials, CommonEffectAgreesWithMetafor) {
  const auto pooled = Pool(
      BcgEffects(), {.method = TauSquaredMethod::kCommonEffect, .errors = PooledErrors::kNormal});
  EXPECT_NEAR(pooled->estimate, -0.430285, kSixDigits);
  EXPECT_NEAR(pooled->standard_error, 0.040499, kSixDigits);
}

TEST(BcgTrials, RestrictedLikelihoodIsTheViechtbauerExample) {
  // Viechtbauer 2010, J Stat Softw 36(3): −0.7145, τ² 0.3132, I² 92.22 %, Q 152.2330 (values from
  // memory); further digits R metafor.
  const auto pooled =
      Pool(BcgEffects(), {.method = TauSquaredMethod::kReml, .errors = PooledErrors::kNormal});
  ASSERT_TRUE(pooled.ok());
  EXPECT_TRUE(pooled->converged);
  EXPECT_NEAR(pooled->estimate, -0.714532, kSixDigits);
  EXPECT_NEAR(pooled->standard_error, 0.179782, kSixDigits);
  EXPECT_NEAR(pooled->tau_squared, 0.313243, kSixDigits);
  const auto spread =
      MeasureHeterogeneity(BcgEffects(), TauSquaredMethod::kReml, pooled->tau_squared);
  EXPECT_NEAR(spread->q.statistic, 152.23301, 0.5e-5);
  EXPECT_EQ(spread->q.degrees_of_freedom, 12);
  EXPECT_NEAR(spread->i_squared, 92.2214, 0.5e-4);

  const auto normal = PredictionInterval(*pooled, PredictionConvention::kNormal);
  EXPECT_NEAR(normal->lower, -1.8667, 0.5e-4);
  EXPECT_NEAR(normal->upper, 0.4376, 0.5e-4);
  const auto t = PredictionInterval(*pooled, PredictionConvention::kTKMinusTwo);
  EXPECT_NEAR(t->lower, -2.00838, 0.5e-5);
  EXPECT_NEAR(t->upper, 0.579311, kSixDigits);
}

TEST(BcgTrials, TauSquaredLimitsAreThoseOfViechtbauer) {
  // Viechtbauer 2010, J Stat Softw 36(3): 0.1197 to 1.1115 (values from memory).
  const auto limits = TauSquaredLimits(BcgEffects());
  EXPECT_NEAR(limits->value().lower, 0.1197, 0.5e-4);
  EXPECT_NEAR(limits->value().upper, 1.1115, 0.5e-4);
}

TEST(BcgTrials, DerSimonianLairdAgreesWithMetafor) {
  const auto pooled = Pool(BcgEffects(), {.method = TauSquaredMethod::kDerSimonianLaird,
                                          .errors = PooledErrors::kNormal});
  EXPECT_NEAR(pooled->estimate, -0.714117, kSixDigits);
  EXPECT_NEAR(pooled->standard_error, 0.178742, kSixDigits);
  EXPECT_NEAR(pooled->tau_squared, 0.308760, kSixDigits);
  const auto spread =
      MeasureHeterogeneity(BcgEffects(), TauSquaredMethod::kDerSimonianLaird, pooled->tau_squared);
  EXPECT_NEAR(spread->i_squared, 92.1173, 0.5e-4);
}

TEST(BcgTrials, HartungKnappAgreesWithMetafor) {
  const auto pooled = Pool(
      BcgEffects(), {.method = TauSquaredMethod::kReml, .errors = PooledErrors::kHartungKnapp});
  EXPECT_NEAR(pooled->standard_error, 0.180792, kSixDigits);
  EXPECT_NEAR(pooled->limits->lower, -1.108444, kSixDigits);
  EXPECT_NEAR(pooled->limits->upper, -0.320621, kSixDigits);
}

TEST(LadyTastingTea, AllFourRightHasProbabilityOneIn70) {
  // Fisher 1935, The Design of Experiments, ch. 2. Two-sided, all four wrong counts too.
  EXPECT_NEAR(*FisherExact({4, 4, 0, 4}), 2.0 / 70, 1e-15);
  // Three right or better, one-sided 17/70; two-sided twice that.
  EXPECT_NEAR(*FisherExact({3, 4, 1, 4}), 34.0 / 70, 1e-15);
}

TEST(McNemar, AirwayHyperresponsivenessIsTheFagerlandExample) {
  // Bentur et al. data in Fagerland, Lydersen & Laake 2013, BMC Med Res Methodol 13:91, table 1:
  // 1, 1, 7, 12; the p-values follow by hand from binomial (8, 1/2).
  const PairedCounts pairs{.both = 1, .arm_only = 1, .against_only = 7, .neither = 12};
  EXPECT_NEAR(*McNemarExact(pairs), 18.0 / 256, 1e-15);
  EXPECT_NEAR(*McNemarMidP(pairs), 10.0 / 256, 1e-15);
  EXPECT_NEAR(McNemar(pairs, Continuity::kNone)->statistic, 36.0 / 8, 1e-15);
  EXPECT_NEAR(McNemar(pairs, Continuity::kCorrected)->statistic, 25.0 / 8, 1e-15);
}

TEST(Newcombe, UnpairedIntervalsAreThoseOfTable2) {
  // Newcombe 1998, Stat Med 17:873, table II, method 10; values from memory.
  const auto limits = [](TwoProportions table) { return NewcombeUnpaired(table)->limits; };
  const Interval a = limits({56, 70, 48, 80});
  EXPECT_NEAR(a.lower, 0.0524, 0.5e-4);
  EXPECT_NEAR(a.upper, 0.3339, 0.5e-4);
  const Interval b = limits({9, 10, 3, 10});
  EXPECT_NEAR(b.lower, 0.1705, 0.5e-4);
  EXPECT_NEAR(b.upper, 0.8090, 0.5e-4);
  const Interval c = limits({10, 10, 0, 20});
  EXPECT_NEAR(c.lower, 0.6791, 0.5e-4);
  EXPECT_NEAR(c.upper, 1, 1e-12);
}

TEST(Newcombe, PairedIntervalIsThatOfTheAirwayExample) {
  // Same children as under McNemar; Fagerland, Lydersen & Laake 2014, Stat Med 33:2850: −0.507 to
  // −0.026 by Newcombe's method; values from memory. Here the correlation is reduced to 0.
  const auto difference =
      NewcombePaired({.both = 1, .arm_only = 1, .against_only = 7, .neither = 12});
  EXPECT_NEAR(difference->difference, -6.0 / 21, 1e-15);
  EXPECT_NEAR(difference->limits.lower, -0.507, 0.0005);
  EXPECT_NEAR(difference->limits.upper, -0.026, 0.0005);
}

TEST(Wilson, EightyOneOf263IsTheNewcombeExample) {
  // Newcombe 1998, Stat Med 17:857, table I, method 3: 81/263 gives 0.2553 to 0.3662, and Clopper–
  // Pearson (method 5) 0.2527 to 0.3676; values from memory.
  const auto wilson = Wilson(81, 263);
  EXPECT_NEAR(wilson->limits.lower, 0.2553, 0.5e-4);
  EXPECT_NEAR(wilson->limits.upper, 0.3662, 0.5e-4);
  const auto exact = ClopperPearson(81, 263);
  EXPECT_NEAR(exact->limits.lower, 0.2527, 0.5e-4);
  EXPECT_NEAR(exact->limits.upper, 0.3676, 0.5e-4);
}

}  // namespace
}  // namespace plumule::stats
