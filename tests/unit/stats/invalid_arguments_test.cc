// What is refused, and with which words.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <functional>
#include <limits>
#include <string>
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
#include "plugins/stats/proportional_hazards.h"
#include "plugins/stats/quantile.h"
#include "plugins/stats/restricted_mean.h"
#include "tests/unit/stats/units.h"

namespace plumule::stats {
namespace {

using testing::HasSubstr;

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr double kInfinity = std::numeric_limits<double>::infinity();

void ExpectInvalid(const absl::Status& status, const std::string& words) {
  EXPECT_EQ(status.code(), absl::StatusCode::kInvalidArgument);
  EXPECT_THAT(std::string(status.message()), HasSubstr(words));
}

struct BadUnits {
  std::string words;
  std::function<void(Units&)> spoil;
};

TEST(EveryFunctionOfUnits, NamesTheRowAndTheValueItCannotUse) {
  const std::vector<BadUnits> table = {
      {"time of row 3 is -1", [](Units& units) { units.time[3] = -1; }},
      {"time of row 0 is nan", [](Units& units) { units.time[0] = kNan; }},
      {"time of row 1 is inf", [](Units& units) { units.time[1] = kInfinity; }},
      {"event of row 2 is 7", [](Units& units) { units.event[2] = 7; }},
      {"arm of row 4 is 2", [](Units& units) { units.arm[4] = 2; }},
      {"arm of row 4 is -1", [](Units& units) { units.arm[4] = -1; }},
      {"event has 41 rows and time has 42", [](Units& units) { units.event.pop_back(); }},
      {"arm has 41 rows", [](Units& units) { units.arm.pop_back(); }},
      {"block has 41 rows", [](Units& units) { units.block.pop_back(); }},
      {"arms is 0", [](Units& units) { units.arms = 0; }},
      {"arms is 65", [](Units& units) { units.arms = 65; }},
  };
  for (const BadUnits& bad : table) {
    Units units = FreireichPairs();
    bad.spoil(units);
    const Survival data = units.view();
    ExpectInvalid(Validate(data), bad.words);
    ExpectInvalid(KaplanMeierByArm(data).status(), bad.words);
    ExpectInvalid(TestLogRank(data, Stratification::kNone).status(), bad.words);
    ExpectInvalid(TestPetoPeto(data).status(), bad.words);
    ExpectInvalid(
        TestProportionalHazards(data, 0, Stratification::kNone, TimeScale::kIdentity).status(),
        bad.words);
    ExpectInvalid(FitCox(data, 0, {}).status(), bad.words);
    ExpectInvalid(CountFirstInBlock(data, 1, 0).status(), bad.words);
    ExpectInvalid(CompareRestrictedMeans(data, 1, 0, 5, ErrorModel::kClusterRobust).status(),
                  bad.words);
  }
}

TEST(Trend, WantsAFiniteScoreForEachArm) {
  LogRank log_rank;
  log_rank.observed = {1, 2};
  log_rank.expected = {1.5, 1.5};
  log_rank.covariance = {0.5, -0.5, -0.5, 0.5};
  const std::vector<double> too_few = {1};
  const std::vector<double> not_finite = {0, std::numeric_limits<double>::infinity()};
  ExpectInvalid(TestTrend(log_rank, too_few).status(), "1 scores for 2 arms");
  ExpectInvalid(TestTrend(log_rank, not_finite).status(), "score of arm 1");
}

TEST(Contrasts, NeedTwoDifferentArmsThatExist) {
  const Units units = FreireichPairs();
  ExpectInvalid(CountFirstInBlock(units.view(), 1, 1).status(), "arm and against are both 1");
  ExpectInvalid(CountFirstInBlock(units.view(), 2, 1).status(), "arm is 2");
  ExpectInvalid(CountFirstInBlock(units.view(), 1, -1).status(), "against is -1");
  ExpectInvalid(FitCox(units.view(), 2, {}).status(), "against is 2");
  ExpectInvalid(CompareRestrictedMeans(units.view(), 0, 0, 5, ErrorModel::kIndependent).status(),
                "arm and against are both 0");
}

TEST(Confidence, MustLieBetweenZeroAndOne) {
  const Units units = FreireichPairs();
  const auto curve = KaplanMeierByArm(units.view())->front();
  const std::vector<Effect> studies = {{0.1, 0.2}, {0.3, 0.2}};
  for (double confidence : {0.0, 1.0, -0.5, 95.0, kNan}) {
    ExpectInvalid(ReachedBy(curve, 5, confidence).status(), "confidence is");
    ExpectInvalid(DaysToQuantile(curve, 0.5, confidence).status(), "confidence is");
    ExpectInvalid(RestrictedMeanDays(curve, 5, confidence).status(), "confidence is");
    ExpectInvalid(FitCox(units.view(), 0, {.confidence = confidence}).status(), "confidence is");
    ExpectInvalid(Wilson(1, 2, confidence).status(), "confidence is");
    ExpectInvalid(ClopperPearson(1, 2, confidence).status(), "confidence is");
    ExpectInvalid(NewcombeUnpaired({1, 2, 1, 2}, confidence).status(), "confidence is");
    ExpectInvalid(NewcombePaired({1, 2, 1, 2}, confidence).status(), "confidence is");
    ExpectInvalid(TestSign(1, 2, confidence).status(), "confidence is");
    ExpectInvalid(Pool(studies, {.confidence = confidence}).status(), "confidence is");
    ExpectInvalid(TauSquaredLimits(studies, confidence).status(), "confidence is");
  }
}

TEST(Days, MustBeFinite) {
  const auto curve = KaplanMeierByArm(FreireichPairs().view())->front();
  ExpectInvalid(ReachedBy(curve, kNan).status(), "day is");
  for (double tau : {0.0, -3.0, kInfinity, kNan}) {
    ExpectInvalid(RestrictedMeanDays(curve, tau).status(), "tau is");
  }
  for (double share : {0.0, 1.0, kNan}) {
    ExpectInvalid(DaysToQuantile(curve, share).status(), "share is");
  }
}

TEST(CoxOptions, AreRefusedWhereTheyContradictEachOther) {
  const Units units = FreireichPairs();
  ExpectInvalid(
      FitCox(units.view(), 0,
             {.ties = Ties::kExact, .strata = Stratification::kNone, .cluster_robust = true})
          .status(),
      "cluster_robust");
  ExpectInvalid(FitCox(units.view(), 0, {.ties = Ties::kEfron, .cluster_robust = true}).status(),
                "cluster_robust");
  ExpectInvalid(FitCox(units.view(), 0, {.max_iterations = 0}).status(), "max_iterations is 0");
}

TEST(Counts, MustFitTheirTrials) {
  ExpectInvalid(Wilson(3, 2).status(), "successes is 3");
  ExpectInvalid(Wilson(-1, 2).status(), "successes is -1");
  ExpectInvalid(ClopperPearson(0, 0).status(), "trials is 0");
  ExpectInvalid(BinomialTest(1, 2, 1).status(), "null_share is 1");
  ExpectInvalid(NewcombeUnpaired({1, 0, 1, 2}).status(), "arm trials is 0");
  ExpectInvalid(FisherExact({1, 2, 3, 2}).status(), "against successes is 3");
  ExpectInvalid(LogRiskRatio({1, 2, 1, 0}).status(), "against trials is 0");
  ExpectInvalid(LogOddsRatio({5, 2, 1, 2}).status(), "arm successes is 5");
  ExpectInvalid(RiskDifference({1, 0, 1, 2}).status(), "arm trials is 0");
  ExpectInvalid(NewcombePaired({}).status(), "no pairs");
  ExpectInvalid(McNemarExact({.both = -1, .arm_only = 5}).status(), "cannot be negative");
  ExpectInvalid(TestSign(-1, 2).status(), "successes is -1");
}

TEST(Studies, MustHaveFiniteEstimatesAndPositiveVariances) {
  const auto spoiled = [](Effect effect) { return std::vector<Effect>{{0.1, 0.2}, effect}; };
  ExpectInvalid(Pool({}, {}).status(), "no studies");
  ExpectInvalid(Pool(spoiled({kNan, 1}), {}).status(), "estimate of study 1 is nan");
  ExpectInvalid(Pool(spoiled({1, 0}), {}).status(), "variance of study 1 is 0");
  ExpectInvalid(Cumulative(spoiled({1, kInfinity}), {}).status(), "variance of study 1 is inf");
  ExpectInvalid(LeaveOneOut(spoiled({1, -2}), {}).status(), "variance of study 1 is -2");
  ExpectInvalid(TauSquaredLimits({}).status(), "no studies");
  const std::vector<Effect> good = {{0.1, 0.2}};
  ExpectInvalid(MeasureHeterogeneity(good, TauSquaredMethod::kReml, -1).status(),
                "tau_squared is -1");
}

}  // namespace
}  // namespace plumule::stats
