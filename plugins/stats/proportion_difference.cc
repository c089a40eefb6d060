#include "plugins/stats/proportion_difference.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "plugins/stats/arguments.h"
#include "plugins/stats/compensated_sum.h"
#include "plugins/stats/proportion.h"

namespace plumule::stats {
namespace {

absl::Status CheckTable(const TwoProportions& table) {
  if (auto status = CheckTrials(table.arm_successes, table.arm_trials, "arm "); !status.ok()) {
    return status;
  }
  return CheckTrials(table.against_successes, table.against_trials, "against ");
}

}  // namespace

absl::StatusOr<ProportionDifference> NewcombeUnpaired(const TwoProportions& table,
                                                      double confidence) {
  if (absl::Status status = CheckTable(table); !status.ok()) return status;
  const auto arm = Wilson(table.arm_successes, table.arm_trials, confidence);
  if (!arm.ok()) return arm.status();
  const auto against = Wilson(table.against_successes, table.against_trials, confidence);
  if (!against.ok()) return against.status();
  const double difference = arm->share - against->share;
  return ProportionDifference{
      .difference = difference,
      .limits = {.lower = difference - std::hypot(arm->share - arm->limits.lower,
                                                  against->limits.upper - against->share),
                 .upper = difference + std::hypot(arm->limits.upper - arm->share,
                                                  against->share - against->limits.lower)}};
}

absl::StatusOr<double> FisherExact(const TwoProportions& table) {
  if (absl::Status status = CheckTable(table); !status.ok()) return status;
  const std::int64_t successes = table.arm_successes + table.against_successes;
  const std::int64_t first = std::max<std::int64_t>(0, successes - table.against_trials);
  const std::int64_t last = std::min(successes, table.arm_trials);
  const auto m = static_cast<double>(table.arm_trials);
  const auto n = static_cast<double>(table.against_trials);
  const auto k = static_cast<double>(successes);
  // P(x + 1) / P(x) of the hypergeometric distribution.
  const auto rise = [&](double x) { return (m - x) * (k - x) / ((x + 1) * (n - k + x + 1)); };
  const auto mode =
      std::clamp(static_cast<std::int64_t>((m + 1) * (k + 1) / (m + n + 2)), first, last);
  // Weights relative to the mode, so that only hopeless tails underflow.
  std::vector<double> weight(static_cast<std::size_t>(last - first + 1));
  const auto start = static_cast<std::size_t>(mode - first);
  weight[start] = 1;
  for (std::size_t i = start; i + 1 < weight.size(); ++i) {
    weight[i + 1] = weight[i] * rise(static_cast<double>(first + static_cast<std::int64_t>(i)));
  }
  for (std::size_t i = start; i > 0; --i) {
    weight[i - 1] = weight[i] / rise(static_cast<double>(first + static_cast<std::int64_t>(i) - 1));
  }
  const double most = weight[static_cast<std::size_t>(table.arm_successes - first)] * (1 + 1e-7);
  CompensatedSum unlikely, all;
  for (double w : weight) {
    all.Add(w);
    if (w <= most) unlikely.Add(w);
  }
  return std::min(1.0, unlikely.value() / all.value());
}

}  // namespace plumule::stats
