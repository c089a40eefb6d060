#include "plugins/stats/conditional_events.h"

#include <gtest/gtest.h>

#include <bit>
#include <cmath>
#include <cstdint>
#include <vector>

namespace plumule::stats {
namespace {

// Oracle: adds up the weight of every subset of units, one by one.
ConditionalEvents Enumerate(const std::vector<std::int32_t>& at_risk,
                            const std::vector<double>& log_hazard, int events) {
  std::vector<std::size_t> arm_of;
  for (std::size_t arm = 0; arm < at_risk.size(); ++arm) {
    arm_of.insert(arm_of.end(), static_cast<std::size_t>(at_risk[arm]), arm);
  }
  const std::size_t arms = at_risk.size();
  double total = 0;
  std::vector<double> mean(arms, 0.0), square(arms * arms, 0.0);
  for (std::uint32_t subset = 0; subset < (1u << arm_of.size()); ++subset) {
    if (std::popcount(subset) != events) continue;
    double log_weight = 0;
    std::vector<double> count(arms, 0.0);
    for (std::size_t unit = 0; unit < arm_of.size(); ++unit) {
      if ((subset >> unit & 1u) == 0) continue;
      log_weight += log_hazard[arm_of[unit]];
      count[arm_of[unit]] += 1;
    }
    const double weight = std::exp(log_weight);
    total += weight;
    for (std::size_t a = 0; a < arms; ++a) {
      mean[a] += weight * count[a];
      for (std::size_t b = 0; b < arms; ++b) square[a * arms + b] += weight * count[a] * count[b];
    }
  }
  for (double& m : mean) m /= total;
  for (std::size_t a = 0; a < arms; ++a) {
    for (std::size_t b = 0; b < arms; ++b) {
      square[a * arms + b] = square[a * arms + b] / total - mean[a] * mean[b];
    }
  }
  return {.log_ways = std::log(total), .mean = mean, .covariance = square};
}

void ExpectSame(const ConditionalEvents& ours, const ConditionalEvents& oracle) {
  EXPECT_NEAR(ours.log_ways, oracle.log_ways, 1e-11);
  for (std::size_t i = 0; i < oracle.mean.size(); ++i) {
    EXPECT_NEAR(ours.mean[i], oracle.mean[i], 1e-11);
  }
  for (std::size_t i = 0; i < oracle.covariance.size(); ++i) {
    EXPECT_NEAR(ours.covariance[i], oracle.covariance[i], 1e-11);
  }
}

TEST(DistributeEvents, AgreesWithEnumerationForEveryNumberOfEvents) {
  const std::vector<std::vector<std::int32_t>> risk_sets = {{3, 4},    {1, 1},       {0, 5, 3},
                                                            {2, 3, 4}, {1, 5, 1, 2}, {6, 0, 0}};
  const std::vector<std::vector<double>> log_hazards = {
      {0, 0, 0, 0}, {0, 1.3, -0.7, 2}, {0, -6, 5, 0.1}};
  for (const auto& at_risk : risk_sets) {
    int units = 0;
    for (std::int32_t n : at_risk) units += n;
    for (const auto& hazards : log_hazards) {
      const std::vector<double> log_hazard(
          hazards.begin(), hazards.begin() + static_cast<std::ptrdiff_t>(at_risk.size()));
      for (int events = 0; events <= units; ++events) {
        SCOPED_TRACE(events);
        ExpectSame(DistributeEvents(at_risk, log_hazard, events),
                   Enumerate(at_risk, log_hazard, events));
      }
    }
  }
}

TEST(DistributeEvents, CountsTheWaysWithEqualHazards) {
  // log C(200000, 1000) = lgamma differences, to what they can give.
  const std::vector<std::int32_t> at_risk = {100000, 100000};
  const std::vector<double> log_hazard = {0, 0};
  const ConditionalEvents events = DistributeEvents(at_risk, log_hazard, 1000);
  const double expected = std::lgamma(200001.0) - std::lgamma(1001.0) - std::lgamma(199001.0);
  EXPECT_NEAR(events.log_ways, expected, 1e-8);
  EXPECT_NEAR(events.mean[0], 500, 1e-8);
  // Hypergeometric variance: 1000 · ½ · ½ · (200000 − 1000) / (200000 − 1).
  EXPECT_NEAR(events.covariance[0], 250.0 * 199000 / 199999, 1e-7);
  EXPECT_NEAR(events.covariance[1], -events.covariance[0], 1e-9);
}

TEST(DistributeEvents, StaysFiniteForHugeHazardRatios) {
  const std::vector<std::int32_t> at_risk = {40, 60};
  const std::vector<double> log_hazard = {0, 300};
  const ConditionalEvents events = DistributeEvents(at_risk, log_hazard, 70);
  // All 60 of the second arm, then 10 of 40.
  const double ways = std::lgamma(41.0) - std::lgamma(11.0) - std::lgamma(31.0);
  EXPECT_NEAR(events.log_ways, 60 * 300 + ways, 1e-6);
  EXPECT_NEAR(events.mean[1], 60, 1e-9);
}

}  // namespace
}  // namespace plumule::stats
