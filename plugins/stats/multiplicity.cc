#include "plugins/stats/multiplicity.h"

#include <algorithm>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>
#include <cstdint>
#include <numeric>

#include "plugins/stats/arguments.h"
#include "plugins/stats/joint_normal.h"

namespace plumule::stats {
namespace {

std::vector<std::size_t> Ascending(std::span<const double> p_values) {
  std::vector<std::size_t> order(p_values.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return p_values[a] < p_values[b]; });
  return order;
}

// 1 − (1 − p)^m without cancellation.
double Sidak(double p, std::size_t m) {
  return -std::expm1(static_cast<double>(m) * std::log1p(-p));
}

// The root lies between the critical value of one comparison and Šidák's of independent ones.
absl::StatusOr<double> CriticalValue(std::span<const double> correlation, std::size_t m,
                                     double confidence) {
  absl::Status failed;
  const auto excess = [&](double c) {
    const auto within = ProbabilityWithin(std::vector<double>(m, c), correlation);
    if (!within.ok()) {
      failed = within.status();
      return 0.0;
    }
    return within->value - confidence;
  };
  const double low = TwoSidedNormalQuantile(confidence);
  const double high = TwoSidedNormalQuantile(std::pow(confidence, 1.0 / static_cast<double>(m)));
  const double at_low = excess(low);
  const double at_high = excess(high);
  if (!failed.ok()) return failed;
  // Perfect correlation and independence stand at the ends, to rounding.
  if (at_low >= 0) return low;
  if (at_high <= 0) return high;
  std::uintmax_t iterations = 100;
  const auto root =
      boost::math::tools::toms748_solve(excess, low, high, at_low, at_high,
                                        boost::math::tools::eps_tolerance<double>(28), iterations);
  if (!failed.ok()) return failed;
  return (root.first + root.second) / 2;
}

}  // namespace

std::vector<double> HolmAdjusted(std::span<const double> p_values) {
  const std::vector<std::size_t> order = Ascending(p_values);
  std::vector<double> adjusted(p_values.size());
  double running = 0;
  for (std::size_t i = 0; i < order.size(); ++i) {
    const double raised = p_values[order[i]] * static_cast<double>(order.size() - i);
    running = std::min(1.0, std::max(running, raised));
    adjusted[order[i]] = running;
  }
  return adjusted;
}

std::vector<double> BenjaminiHochbergAdjusted(std::span<const double> p_values) {
  const std::vector<std::size_t> order = Ascending(p_values);
  std::vector<double> adjusted(p_values.size());
  const auto m = static_cast<double>(order.size());
  double running = 1;
  for (std::size_t i = order.size(); i-- > 0;) {
    running = std::min(running, p_values[order[i]] * m / static_cast<double>(i + 1));
    adjusted[order[i]] = running;
  }
  return adjusted;
}

absl::StatusOr<SingleStep> AdjustSingleStep(std::span<const double> z,
                                            std::span<const double> correlation,
                                            double confidence) {
  if (absl::Status status = CheckConfidence(confidence); !status.ok()) return status;
  SingleStep result;
  for (const double one : z) {
    const auto within =
        ProbabilityWithin(std::vector<double>(z.size(), std::abs(one)), correlation);
    if (!within.ok()) return within.status();
    const double single = TwoSidedNormalP(one);
    result.p_value.push_back(std::clamp(1 - within->value, single, Sidak(single, z.size())));
    result.error = std::max(result.error, within->error);
  }
  const auto critical = CriticalValue(correlation, z.size(), confidence);
  if (!critical.ok()) return critical.status();
  result.critical = *critical;
  return result;
}

}  // namespace plumule::stats
