// Shares reached over interval-censored times without a model.
#include "plugins/stats/turnbull.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include <cmath>
#include <limits>
#include <utility>
#include <vector>

#include "plugins/stats/kaplan_meier.h"
#include "plugins/stats/quantile.h"
#include "tests/unit/stats/units.h"

namespace plumule::stats {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();

using Rows = std::vector<std::pair<double, double>>;

TurnbullCurve Fit(const Rows& rows, int max_iterations = 100) {
  std::vector<double> lower, upper;
  for (const auto& [from, to] : rows) {
    lower.push_back(from);
    upper.push_back(to);
  }
  const auto curves = TurnbullByArm({.lower = lower, .upper = upper}, max_iterations);
  EXPECT_TRUE(curves.ok()) << curves.status();
  return curves.ok() ? curves->front() : TurnbullCurve();
}

// Looks every third day, some missed, some never seen, some exact; at least 20 rows.
Rows Draw() {
  Rows rows;
  const int units = *rc::gen::inRange(20, 60);
  for (int i = 0; i < units; ++i) {
    const double from = 3.0 * *rc::gen::inRange(0, 8);
    switch (*rc::gen::inRange(0, 4)) {
      case 0:
        rows.emplace_back(from + 1, from + 1);
        break;
      case 1:
        rows.emplace_back(from, kInfinity);
        break;
      default:
        rows.emplace_back(from, from + 3 * *rc::gen::inRange(1, 4));
    }
  }
  return rows;
}

// Two cells, (1, 2] and (2, 3]: the row over both says nothing of either, so the shares are those
// of the other rows. By hand.
TEST(Turnbull, SharesOutRowsOverBothCellsAsTheOthersAre) {
  const auto curve = Fit({{1, 2}, {1, 2}, {1, 2}, {2, 3}, {1, 3}, {0, kInfinity}});
  ASSERT_EQ(curve.masses.size(), 2U);
  EXPECT_NEAR(curve.masses[0].mass, 0.75, 1e-12);
  EXPECT_EQ(curve.masses[0].lower, 1);
  EXPECT_EQ(curve.masses[0].upper, 2);
  EXPECT_EQ(curve.masses[1].reached, 1);
  EXPECT_NEAR(curve.log_likelihood, 3 * std::log(0.75) + std::log(0.25), 1e-12);
}

// (0, 2], (1, 3], (2, 4] …: mass only where intervals overlap. By hand: p, 1 − p on (1, 2], (3, 4]
// with rows in {p, 1, 1 − p}: one half each.
TEST(Turnbull, PutsMassOnInnermostIntervalsOnly) {
  const auto curve = Fit({{0, 2}, {1, 4}, {3, 5}});
  ASSERT_EQ(curve.masses.size(), 2U);
  EXPECT_EQ(curve.masses[0].lower, 1);
  EXPECT_EQ(curve.masses[0].upper, 2);
  EXPECT_EQ(curve.masses[1].lower, 3);
  EXPECT_EQ(curve.masses[1].upper, 4);
  EXPECT_NEAR(curve.masses[0].mass, 0.5, 1e-12);
}

// The middle cell lies in fewer rows than its neighbors: it gets nothing, exactly.
TEST(Turnbull, LeavesOutCellsWithoutMass) {
  Rows rows = {{1, 2}, {1, 2}, {1, 2}, {3, 4}, {3, 4}, {3, 4}, {2, 3}};
  EXPECT_EQ(Fit(rows).masses.size(), 3U);
  rows.back() = {1, 2.5};
  rows.push_back({2.2, 4});
  EXPECT_EQ(Fit(rows).masses.size(), 2U);
}

TEST(Turnbull, IsKaplanMeierForExactAndRightCensoredTimes) {
  const Units pairs = FreireichPairs();
  std::vector<double> time;
  std::vector<std::uint8_t> event;
  Rows rows;
  for (std::size_t i = 0; i < pairs.time.size(); ++i) {
    if (pairs.arm[i] != 0) continue;
    time.push_back(pairs.time[i]);
    event.push_back(pairs.event[i]);
    rows.emplace_back(pairs.time[i], pairs.event[i] == 1 ? pairs.time[i] : kInfinity);
  }
  const auto curve = Fit(rows);
  const auto product_limit = *KaplanMeier(time, event);
  for (double day = 0; day <= 35; day += 0.5) {
    const auto share = ReachedBy(curve, day);
    const auto expected = ReachedBy(product_limit, day);
    EXPECT_NEAR(share->share, expected->share, 1e-12) << day;
    EXPECT_EQ(share->past_follow_up, expected->past_follow_up);
  }
  EXPECT_TRUE(ReachedBy(curve, 36)->past_follow_up);
  for (const double share : {0.1, 0.25, 0.4}) {
    EXPECT_EQ(*DaysToQuantile(curve, share), DaysToQuantile(product_limit, share)->days);
  }
  EXPECT_FALSE(DaysToQuantile(curve, 0.75)->has_value());
}

TEST(Turnbull, BoundsTheShareWithinAnInterval) {
  const auto curve = Fit({{0, 4}, {4, 8}, {8, kInfinity}, {8, kInfinity}});
  EXPECT_EQ(ReachedBy(curve, 0)->at_most, 0);
  EXPECT_NEAR(ReachedBy(curve, 6)->share, 0.25, 1e-12);
  EXPECT_NEAR(ReachedBy(curve, 6)->at_most, 0.5, 1e-12);
  EXPECT_NEAR(ReachedBy(curve, 8)->share, 0.5, 1e-12);
  EXPECT_NEAR(ReachedBy(curve, 8)->at_most, 0.5, 1e-12);
  EXPECT_EQ(ReachedBy(curve, 9)->at_most, 1);
  EXPECT_TRUE(ReachedBy(curve, 9)->past_follow_up);
}

// The curve runs flat at one half from day 4, and nothing follows by the last day, 10.
TEST(Turnbull, TakesTheMiddleOfAFlatStretch) {
  const auto curve = Fit({{0, 4}, {2, 4}, {10, kInfinity}, {10, kInfinity}});
  EXPECT_EQ(*DaysToQuantile(curve, 0.5), 7);
  EXPECT_EQ(*DaysToQuantile(curve, 0.25), 4);
}

TEST(Turnbull, HasAnswersForDegenerateData) {
  EXPECT_TRUE(Fit({}).masses.empty());
  EXPECT_EQ(ReachedBy(Fit({}), 1).status().code(), absl::StatusCode::kFailedPrecondition);
  EXPECT_EQ(DaysToQuantile(Fit({}), 0.5).status().code(), absl::StatusCode::kFailedPrecondition);
  const auto never = Fit({{5, kInfinity}, {9, kInfinity}});
  ASSERT_EQ(never.masses.size(), 1U);
  EXPECT_EQ(never.masses[0].upper, kInfinity);
  EXPECT_EQ(ReachedBy(never, 9)->share, 0);
  EXPECT_EQ(*DaysToQuantile(never, 0.5), std::nullopt);
  const auto one = Fit({{0, 0}});
  EXPECT_EQ(ReachedBy(one, 0)->share, 1);
  EXPECT_EQ(*DaysToQuantile(one, 0.5), 0);
  EXPECT_EQ(Fit({{0, kInfinity}}).masses.size(), 1U);
}

TEST(Turnbull, RefusesWhatItCannotUse) {
  const std::vector<double> lower = {5}, upper = {4};
  EXPECT_THAT(std::string(TurnbullByArm({.lower = lower, .upper = upper}).status().message()),
              testing::HasSubstr("upper of row 0 is 4"));
  EXPECT_FALSE(TurnbullByArm({.lower = upper, .upper = lower}, 0).ok());
  const auto curve = Fit({{1, 2}});
  EXPECT_FALSE(ReachedBy(curve, kInfinity).ok());
  EXPECT_FALSE(DaysToQuantile(curve, 0).ok());
  EXPECT_FALSE(DaysToQuantile(curve, 1).ok());
}

TEST(Turnbull, SaysWhenItDidNotConverge) {
  Rows rows;
  for (int i = 0; i < 400; ++i) {
    const double from = i * 37 % 101;
    rows.emplace_back(from, from + 1 + i * i % 13);
  }
  EXPECT_EQ(Fit(rows, 1).status, TurnbullStatus::kNotConverged);
  EXPECT_EQ(Fit(rows).status, TurnbullStatus::kConverged);
  EXPECT_LE(Fit(rows).imbalance, 1e-10);
}

RC_GTEST_PROP(TurnbullProperty, NoMovingOfMassMakesTheRowsLikelier, ()) {
  const Rows rows = Draw();
  const auto curve = Fit(rows);
  RC_ASSERT(curve.status == TurnbullStatus::kConverged);
  // Mass at any point of any row, half-way too, against the definition of the likelihood.
  const auto share = [&](double from, double to) {
    double sum = 0;
    for (const TurnbullMass& mass : curve.masses) {
      const bool point = mass.lower == mass.upper;
      const bool inside = from == to ? point && mass.upper == from
                          : point    ? from < mass.upper && mass.upper <= to
                                     : from <= mass.lower && mass.upper <= to;
      if (inside) sum += mass.mass;
    }
    return sum;
  };
  for (double day = 0; day < 40; day += 0.5) {
    double direction = 0;
    for (const auto& [from, to] : rows) {
      const bool inside = from == to ? day == from : from < day && day <= to;
      if (inside) direction += 1 / share(from, to);
    }
    RC_ASSERT(direction <= static_cast<double>(rows.size()) * (1 + 1e-9));
  }
}

RC_GTEST_PROP(TurnbullProperty, PermutingRowsChangesNoDigit, ()) {
  const Rows rows = Draw();
  const auto one = Fit(rows);
  const auto other = Fit(Rows(rows.rbegin(), rows.rend()));
  RC_ASSERT(one.log_likelihood == other.log_likelihood);
  RC_ASSERT(one.masses.size() == other.masses.size());
  for (std::size_t i = 0; i < one.masses.size(); ++i) {
    RC_ASSERT(one.masses[i].mass == other.masses[i].mass);
  }
}

RC_GTEST_PROP(TurnbullProperty, NeitherUnitOfTimeNorRepeatingTheRowsMatters, ()) {
  const Rows rows = Draw();
  Rows hours;
  for (const auto& [from, to] : rows) hours.insert(hours.end(), 3, {24 * from, 24 * to});
  const auto one = Fit(rows);
  const auto other = Fit(hours);
  RC_ASSERT(one.masses.size() == other.masses.size());
  for (std::size_t i = 0; i < one.masses.size(); ++i) {
    RC_ASSERT(std::abs(one.masses[i].mass - other.masses[i].mass) < 1e-8);
    RC_ASSERT(24 * one.masses[i].upper == other.masses[i].upper);
  }
  RC_ASSERT(std::abs(3 * one.log_likelihood - other.log_likelihood) < 1e-7);
}

}  // namespace
}  // namespace plumule::stats
