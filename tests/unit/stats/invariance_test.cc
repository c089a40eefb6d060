// What must not change when the same study is written down differently.
#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include <algorithm>
#include <cmath>
#include <numeric>
#include <vector>

#include "plugins/stats/cox.h"
#include "plugins/stats/first_in_block.h"
#include "plugins/stats/kaplan_meier.h"
#include "plugins/stats/log_rank.h"
#include "plugins/stats/pooled.h"
#include "plugins/stats/proportional_hazards.h"
#include "plugins/stats/quantile.h"
#include "plugins/stats/restricted_mean.h"
#include "tests/unit/stats/units.h"

namespace plumule::stats {
namespace {

// A few blocks with up to three units an arm, looked at every third day.
Units DrawUnits(int arms) {
  Units units{.arms = arms};
  const int blocks = *rc::gen::inRange(1, 12);
  for (int block = 0; block < blocks; ++block) {
    for (int arm = 0; arm < arms; ++arm) {
      const int size = *rc::gen::inRange(0, 4);
      for (int unit = 0; unit < size; ++unit) {
        units.Add(block, arm, 3.0 * *rc::gen::inRange(1, 9), *rc::gen::inRange(0, 4) > 0);
      }
    }
  }
  return units;
}

// The same rows in another order, blocks under other labels.
Units Rewritten(const Units& units) {
  std::vector<std::size_t> order(units.time.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  for (std::size_t i = order.size(); i > 1; --i) {
    std::swap(order[i - 1], order[*rc::gen::inRange<std::size_t>(0, i)]);
  }
  const int factor = *rc::gen::element(-7, -1, 1, 13);
  Units result{.arms = units.arms};
  for (std::size_t row : order) {
    result.Add(units.block[row] * factor + 5, units.arm[row], units.time[row],
               units.event[row] == 1);
  }
  return result;
}

// Everything a figure could be compared by, digit for digit.
std::vector<double> AllFigures(const Units& units) {
  std::vector<double> figures;
  const auto add = [&](const std::vector<double>& more) {
    figures.insert(figures.end(), more.begin(), more.end());
  };
  const auto curves = KaplanMeierByArm(units.view());
  for (const KaplanMeierCurve& curve : *curves) {
    for (const KaplanMeierStep& step : curve.steps) add({step.survival, step.greenwood});
  }
  const auto early = TestPetoPeto(units.view());
  add(early->observed);
  add(early->expected);
  add(early->covariance);
  add({early->test.statistic});
  for (Stratification strata : {Stratification::kNone, Stratification::kByBlock}) {
    const auto test = TestLogRank(units.view(), strata);
    add(test->expected);
    add(test->covariance);
    add({test->test.statistic});
    std::vector<double> scores;
    for (int arm = 0; arm < units.arms; ++arm) scores.push_back(arm * arm);
    add({TestTrend(*test, scores)->statistic});
    for (const TimeScale scale : {TimeScale::kKaplanMeier, TimeScale::kIdentity}) {
      const auto drift = TestProportionalHazards(units.view(), 0, strata, scale);
      if (drift->global) add({drift->global->statistic});
    }
    for (Ties ties : {Ties::kExact, Ties::kEfron, Ties::kBreslow}) {
      const auto fit = FitCox(units.view(), 0, {.ties = ties, .strata = strata});
      add(fit->coefficient);
      add(fit->covariance);
      add({fit->log_likelihood_null, fit->log_likelihood, fit->profile_limit.value_or(0)});
    }
  }
  for (Ties ties : {Ties::kEfron, Ties::kBreslow}) {
    const auto fit = FitCox(
        units.view(), 0, {.ties = ties, .strata = Stratification::kNone, .cluster_robust = true});
    if (fit->robust_covariance) add(*fit->robust_covariance);
  }
  const auto contrast = CompareRestrictedMeans(units.view(), 1, 0, 17, ErrorModel::kClusterRobust);
  if (contrast.ok()) add({contrast->difference, contrast->difference_standard_error});
  const auto first = CountFirstInBlock(units.view(), 1, 0);
  add({static_cast<double>(first->arm_first), static_cast<double>(first->unknown)});
  return figures;
}

RC_GTEST_PROP(Figures, ChangeNoDigitWhenRowsAndBlocksAreWrittenInAnotherOrder, ()) {
  const Units units = DrawUnits(*rc::gen::element(2, 3, 4));
  RC_ASSERT(AllFigures(units) == AllFigures(Rewritten(units)));
}

RC_GTEST_PROP(Figures, DoNotDependOnTheUnitOfTime, ()) {
  const Units days = DrawUnits(2);
  Units quarters = days;
  for (double& time : quarters.time) time *= 4;
  for (Stratification strata : {Stratification::kNone, Stratification::kByBlock}) {
    RC_ASSERT(TestLogRank(days.view(), strata)->test.statistic ==
              TestLogRank(quarters.view(), strata)->test.statistic);
    RC_ASSERT(FitCox(days.view(), 0, {.strata = strata})->coefficient ==
              FitCox(quarters.view(), 0, {.strata = strata})->coefficient);
  }
  const auto in_days = KaplanMeierByArm(days.view());
  const auto in_quarters = KaplanMeierByArm(quarters.view());
  for (std::size_t arm = 0; arm < 2; ++arm) {
    if (in_days->at(arm).steps.empty()) continue;
    const auto a = DaysToQuantile(in_days->at(arm), 0.5);
    const auto b = DaysToQuantile(in_quarters->at(arm), 0.5);
    RC_ASSERT(a->days.has_value() == b->days.has_value());
    if (a->days) RC_ASSERT(4 * *a->days == *b->days);
    RC_ASSERT(4 * RestrictedMeanDays(in_days->at(arm), 17)->mean ==
              RestrictedMeanDays(in_quarters->at(arm), 68)->mean);
  }
}

RC_GTEST_PROP(Figures, InvertWhenArmsAreSwapped, ()) {
  const Units units = DrawUnits(2);
  Units swapped = units;
  for (std::int32_t& arm : swapped.arm) arm = 1 - arm;
  for (Ties ties : {Ties::kExact, Ties::kEfron, Ties::kBreslow}) {
    const auto a = FitCox(units.view(), 0, {.ties = ties});
    const auto b = FitCox(swapped.view(), 0, {.ties = ties});
    RC_ASSERT(a->status == b->status);
    RC_ASSERT(std::abs(a->coefficient[1] + b->coefficient[1]) < 1e-9);
    RC_ASSERT(std::abs(a->standard_error[1] - b->standard_error[1]) < 1e-9);
  }
  const auto first = CountFirstInBlock(units.view(), 1, 0);
  const auto mirrored = CountFirstInBlock(swapped.view(), 1, 0);
  RC_ASSERT(first->arm_first == mirrored->against_first);
  RC_ASSERT(first->tied == mirrored->tied && first->unknown == mirrored->unknown);
}

RC_GTEST_PROP(StratifiedFigures, IgnoreABlockThatComparesNothing, ()) {
  const Units units = DrawUnits(2);
  Units more = units;
  for (int i = 0; i < 4; ++i) {
    more.Add(100, 1, 6 + i, true);    // one arm only
    more.Add(101, i % 2, 9, true);    // all reach it the same day
    more.Add(102, i % 2, 12, false);  // nobody reaches it
  }
  const auto test = TestLogRank(units.view(), Stratification::kByBlock);
  const auto of_more = TestLogRank(more.view(), Stratification::kByBlock);
  RC_ASSERT(std::abs(test->test.statistic - of_more->test.statistic) < 1e-9);
  RC_ASSERT(test->informative_strata == of_more->informative_strata);
  const auto fit = FitCox(units.view(), 0, {});
  const auto fit_more = FitCox(more.view(), 0, {});
  RC_ASSERT(fit->status == fit_more->status);
  RC_ASSERT(std::abs(fit->coefficient[1] - fit_more->coefficient[1]) < 1e-9);
  RC_ASSERT(fit->informative_strata == fit_more->informative_strata);
}

RC_GTEST_PROP(StratifiedFigures, DoubleTheirInformationWhenEveryBlockIsThereTwice, ()) {
  const Units units = DrawUnits(3);
  Units twice = units;
  for (std::size_t row = 0; row < units.time.size(); ++row) {
    twice.Add(units.block[row] + 1000, units.arm[row], units.time[row], units.event[row] == 1);
  }
  const auto test = TestLogRank(units.view(), Stratification::kByBlock);
  const auto of_twice = TestLogRank(twice.view(), Stratification::kByBlock);
  RC_ASSERT(std::abs(2 * test->test.statistic - of_twice->test.statistic) < 1e-9);
  for (Ties ties : {Ties::kExact, Ties::kEfron, Ties::kBreslow}) {
    const auto fit = FitCox(units.view(), 0, {.ties = ties});
    const auto fit_twice = FitCox(twice.view(), 0, {.ties = ties});
    RC_ASSERT(fit->status == fit_twice->status);
    for (std::size_t i = 0; i < 9; ++i) {
      RC_ASSERT(std::abs(fit->covariance[i] - 2 * fit_twice->covariance[i]) <
                1e-8 * (1 + std::abs(fit->covariance[i])));
    }
  }
}

RC_GTEST_PROP(Figures, AreFiniteOrAbsentWhateverTheData, ()) {
  for (double figure : AllFigures(DrawUnits(3))) RC_ASSERT(std::isfinite(figure));
}

RC_GTEST_PROP(Cox, ScoreTestWithExactTiesIsTheLogRankTest, ()) {
  const Units units = DrawUnits(3);
  for (Stratification strata : {Stratification::kNone, Stratification::kByBlock}) {
    const auto test = TestLogRank(units.view(), strata);
    const auto fit = FitCox(units.view(), 0, {.strata = strata});
    if (!fit->score) continue;
    RC_ASSERT(fit->score->degrees_of_freedom == test->test.degrees_of_freedom);
    RC_ASSERT(std::abs(fit->score->statistic - test->test.statistic) <
              1e-9 * (1 + test->test.statistic));
  }
}

std::vector<Effect> DrawStudies() {
  const int k = *rc::gen::inRange(1, 12);
  std::vector<Effect> studies;
  for (int i = 0; i < k; ++i) {
    studies.push_back({.estimate = *rc::gen::inRange(-300, 300) / 100.0,
                       .variance = *rc::gen::inRange(1, 200) / 100.0});
  }
  return studies;
}

constexpr TauSquaredMethod kMethods[] = {TauSquaredMethod::kCommonEffect,
                                         TauSquaredMethod::kDerSimonianLaird,
                                         TauSquaredMethod::kPauleMandel, TauSquaredMethod::kReml};

RC_GTEST_PROP(Pool, ChangesNoDigitWhenStudiesComeInAnotherOrder, ()) {
  const std::vector<Effect> studies = DrawStudies();
  const std::vector<Effect> reversed(studies.rbegin(), studies.rend());
  for (TauSquaredMethod method : kMethods) {
    const auto a = Pool(studies, {.method = method});
    const auto b = Pool(reversed, {.method = method});
    RC_ASSERT(a->estimate == b->estimate);
    RC_ASSERT(a->standard_error == b->standard_error);
    RC_ASSERT(a->tau_squared == b->tau_squared);
  }
}

RC_GTEST_PROP(Pool, AlwaysSettlesWithWeightsThatAddUpToOne, ()) {
  const std::vector<Effect> studies = DrawStudies();
  for (TauSquaredMethod method : kMethods) {
    const auto pooled = Pool(studies, {.method = method});
    RC_ASSERT(pooled->converged);
    RC_ASSERT(pooled->tau_squared >= 0);
    const double total = std::accumulate(pooled->weight.begin(), pooled->weight.end(), 0.0);
    RC_ASSERT(std::abs(total - 1) < 1e-12);
  }
}

RC_GTEST_PROP(Pool, ScalesWithTheEffects, ()) {
  const std::vector<Effect> studies = DrawStudies();
  std::vector<Effect> scaled = studies;
  for (Effect& study : scaled)
    study = {.estimate = 2 * study.estimate, .variance = 4 * study.variance};
  for (TauSquaredMethod method : kMethods) {
    const auto a = Pool(studies, {.method = method});
    const auto b = Pool(scaled, {.method = method});
    RC_ASSERT(std::abs(2 * a->estimate - b->estimate) < 1e-9);
    RC_ASSERT(std::abs(4 * a->tau_squared - b->tau_squared) < 1e-8);
  }
}

}  // namespace
}  // namespace plumule::stats
