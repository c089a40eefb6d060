#include "plugins/stats/conditional_events.h"

#include <algorithm>
#include <boost/math/distributions/binomial.hpp>
#include <cmath>
#include <numeric>

namespace plumule::stats {
namespace {

double Logistic(double x) {
  return x >= 0 ? 1 / (1 + std::exp(-x)) : std::exp(x) / (1 + std::exp(x));
}
double Log1pExp(double x) { return x > 0 ? x + std::log1p(std::exp(-x)) : std::log1p(std::exp(x)); }

// An arm with units at risk.
struct Group {
  std::size_t arm;
  std::int64_t units;
  double log_hazard;
  double log_odds = 0;  // tilted: log hazard + tilt
  double expected = 0;  // units · logistic(log_odds)
};

// The tilt s with Σ units · logistic(log hazard + s) = events, 0 < events < Σ units. Newton inside
// a shrinking bracket.
double Tilt(const std::vector<Group>& groups, double events, double units) {
  const auto [least, most] = std::minmax_element(
      groups.begin(), groups.end(),
      [](const Group& a, const Group& b) { return a.log_hazard < b.log_hazard; });
  const double level = std::log(events / (units - events));
  double low = level - most->log_hazard;
  double high = level - least->log_hazard;
  double tilt = (low + high) / 2;
  for (int iteration = 0; iteration < 200 && low < high; ++iteration) {
    double excess = -events;
    double slope = 0;
    for (const Group& group : groups) {
      const double p = Logistic(group.log_hazard + tilt);
      excess += static_cast<double>(group.units) * p;
      slope += static_cast<double>(group.units) * p * (1 - p);
    }
    (excess > 0 ? high : low) = tilt;
    double next = tilt - excess / slope;
    if (!(next > low && next < high)) next = (low + high) / 2;
    const double step = std::abs(next - tilt);
    tilt = next;
    // Any tilt is exact; a rough root only costs a little accuracy in the tails.
    if (step <= 1e-8 * (1 + std::abs(tilt))) break;
  }
  return tilt;
}

// Probabilities of first, first + 1, … events in one group under its tilted binomial.
struct Binomial {
  std::int64_t first;
  std::vector<double> probability;

  std::int64_t last() const { return first + static_cast<std::int64_t>(probability.size()) - 1; }
  double At(std::int64_t m) const { return probability[static_cast<std::size_t>(m - first)]; }
};

Binomial TiltedBinomial(const Group& group, std::int64_t first, std::int64_t last) {
  Binomial result{.first = first,
                  .probability = std::vector<double>(static_cast<std::size_t>(last - first + 1))};
  const double p = Logistic(group.log_odds);
  const auto n = static_cast<double>(group.units);
  const auto mode = std::clamp(static_cast<std::int64_t>((n + 1) * p), first, last);
  const auto start = static_cast<std::size_t>(mode - first);
  auto& probability = result.probability;
  probability[start] = boost::math::pdf(boost::math::binomial(n, p), static_cast<double>(mode));
  const double odds = std::exp(group.log_odds);
  for (std::size_t i = start; i + 1 < probability.size(); ++i) {
    const auto m = static_cast<double>(first + static_cast<std::int64_t>(i));
    probability[i + 1] = probability[i] * odds * (n - m) / (m + 1);
  }
  for (std::size_t i = start; i > 0; --i) {
    const auto m = static_cast<double>(first + static_cast<std::int64_t>(i));
    probability[i - 1] = probability[i] * m / (odds * (n - m + 1));
  }
  return result;
}

// Distribution of the total over the groups so far, with the sums Σ P x and Σ P x xᵀ for each
// total, where x = events − expected, by group. `free` = groups whose moments are carried.
class Totals {
 public:
  explicit Totals(std::size_t free) : free_(free), cells_(Width(), 0.0) { cells_[0] = 1; }

  std::size_t Width() const { return 1 + free_ + free_ * free_; }
  std::int64_t first() const { return first_; }
  std::int64_t last() const {
    return first_ + static_cast<std::int64_t>(cells_.size() / Width()) - 1;
  }
  const double* At(std::int64_t total) const {
    return &cells_[static_cast<std::size_t>(total - first_) * Width()];
  }

  // Adds the events of group `index` of the free ones, keeping totals in [first, last].
  void Convolve(const Binomial& group, std::size_t index, double expected, std::int64_t first,
                std::int64_t last) {
    std::vector<double> next(static_cast<std::size_t>(last - first + 1) * Width(), 0.0);
    for (std::int64_t total = first; total <= last; ++total) {
      double* to = &next[static_cast<std::size_t>(total - first) * Width()];
      const std::int64_t least = std::max(group.first, total - this->last());
      const std::int64_t most = std::min(group.last(), total - first_);
      for (std::int64_t m = least; m <= most; ++m) {
        Add(At(total - m), group.At(m), static_cast<double>(m) - expected, index, to);
      }
    }
    cells_ = std::move(next);
    first_ = first;
  }

 private:
  // to += p · (moments of `from` after `x` joined as component `index`, which was 0).
  void Add(const double* from, double p, double x, std::size_t index, double* to) const {
    to[0] += p * from[0];
    const double* mean = from + 1;
    const double* square = from + 1 + free_;
    double* to_mean = to + 1;
    double* to_square = to + 1 + free_;
    for (std::size_t a = 0; a < index; ++a) {
      to_mean[a] += p * mean[a];
      to_square[a * free_ + index] += p * x * mean[a];
      for (std::size_t b = a; b < index; ++b) to_square[a * free_ + b] += p * square[a * free_ + b];
    }
    to_mean[index] += p * x * from[0];
    to_square[index * free_ + index] += p * x * x * from[0];
  }

  std::size_t free_;
  std::int64_t first_ = 0;
  std::vector<double> cells_;  // a total: P, Σ P x (free), Σ P x xᵀ (free², upper triangle)
};

// Convolves all groups but the last and reads off the total that the last completes to `events`.
std::vector<double> MomentsGivenTotal(const std::vector<Group>& groups, std::int64_t events) {
  std::int64_t units_left = 0;
  for (const Group& group : groups) units_left += group.units;
  Totals totals(groups.size() - 1);
  for (std::size_t i = 0; i + 1 < groups.size(); ++i) {
    units_left -= groups[i].units;
    const std::int64_t first = std::max<std::int64_t>(totals.first(), events - units_left);
    const std::int64_t last = std::min(events, totals.last() + groups[i].units);
    const Binomial binomial =
        TiltedBinomial(groups[i], std::max<std::int64_t>(0, first - totals.last()),
                       std::min(groups[i].units, last - totals.first()));
    totals.Convolve(binomial, i, groups[i].expected, first, last);
  }
  const Binomial rest =
      TiltedBinomial(groups.back(), events - totals.last(), events - totals.first());
  std::vector<double> moments(totals.Width(), 0.0);
  for (std::int64_t total = totals.first(); total <= totals.last(); ++total) {
    const double* cell = totals.At(total);
    for (std::size_t i = 0; i < moments.size(); ++i) {
      moments[i] += rest.At(events - total) * cell[i];
    }
  }
  return moments;
}

std::vector<Group> GroupsAtRisk(std::span<const std::int32_t> at_risk,
                                std::span<const double> log_hazard) {
  std::vector<Group> groups;
  for (std::size_t arm = 0; arm < at_risk.size(); ++arm) {
    if (at_risk[arm] > 0) {
      groups.push_back({.arm = arm, .units = at_risk[arm], .log_hazard = log_hazard[arm]});
    }
  }
  return groups;
}

// Writes means and covariances, the last group's from the fact that the total is fixed.
void Report(const std::vector<Group>& groups, const std::vector<double>& moments,
            std::int64_t events, ConditionalEvents& result) {
  const std::size_t arms = result.mean.size();
  const std::size_t free = groups.size() - 1;
  const std::size_t last = groups.back().arm;
  const double* mean = &moments[1];
  const double* square = &moments[1 + free];
  double rest = static_cast<double>(events);
  for (std::size_t i = 0; i < free; ++i) {
    const std::size_t a = groups[i].arm;
    result.mean[a] = groups[i].expected + mean[i] / moments[0];
    rest -= result.mean[a];
    for (std::size_t j = i; j < free; ++j) {
      const std::size_t b = groups[j].arm;
      const double covariance =
          square[i * free + j] / moments[0] - mean[i] / moments[0] * (mean[j] / moments[0]);
      result.covariance[a * arms + b] = result.covariance[b * arms + a] = covariance;
    }
  }
  result.mean[last] = rest;
  double variance = 0;
  for (std::size_t i = 0; i < free; ++i) {
    double row = 0;
    for (std::size_t j = 0; j < free; ++j) {
      row += result.covariance[groups[i].arm * arms + groups[j].arm];
    }
    result.covariance[groups[i].arm * arms + last] = -row;
    result.covariance[last * arms + groups[i].arm] = -row;
    variance += row;
  }
  result.covariance[last * arms + last] = variance;
}

}  // namespace

ConditionalEvents DistributeEvents(std::span<const std::int32_t> at_risk,
                                   std::span<const double> log_hazard, std::int64_t events) {
  const std::size_t arms = at_risk.size();
  ConditionalEvents result{.mean = std::vector<double>(arms, 0.0),
                           .covariance = std::vector<double>(arms * arms, 0.0)};
  const auto units = std::accumulate(at_risk.begin(), at_risk.end(), std::int64_t{0});
  if (events == 0) return result;
  if (events == units) {
    for (std::size_t arm = 0; arm < arms; ++arm) {
      result.mean[arm] = at_risk[arm];
      if (at_risk[arm] > 0) result.log_ways += at_risk[arm] * log_hazard[arm];
    }
    return result;
  }
  std::vector<Group> groups = GroupsAtRisk(at_risk, log_hazard);
  const double tilt = Tilt(groups, static_cast<double>(events), static_cast<double>(units));
  result.log_ways = -tilt * static_cast<double>(events);
  for (Group& group : groups) {
    group.log_odds = group.log_hazard + tilt;
    group.expected = static_cast<double>(group.units) * Logistic(group.log_odds);
    result.log_ways += static_cast<double>(group.units) * Log1pExp(group.log_odds);
  }
  const std::vector<double> moments = MomentsGivenTotal(groups, events);
  result.log_ways += std::log(moments[0]);
  Report(groups, moments, events, result);
  return result;
}

}  // namespace plumule::stats
