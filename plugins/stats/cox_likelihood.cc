#include "plugins/stats/cox_likelihood.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "plugins/stats/compensated_sum.h"
#include "plugins/stats/conditional_events.h"

namespace plumule::stats {
namespace {

class Accumulator {
 public:
  explicit Accumulator(std::size_t arms)
      : arms_(arms), gradient_(arms), information_(arms * arms) {}

  void AddValue(double term) { value_.Add(term); }
  void AddGradient(std::size_t arm, double term) { gradient_[arm].Add(term); }
  void AddInformation(std::size_t a, std::size_t b, double term) {
    information_[a * arms_ + b].Add(term);
  }

  CoxLikelihood Total() const {
    CoxLikelihood total{.value = value_.value()};
    for (const CompensatedSum& sum : gradient_) total.gradient.push_back(sum.value());
    for (const CompensatedSum& sum : information_) total.information.push_back(sum.value());
    return total;
  }

 private:
  std::size_t arms_;
  CompensatedSum value_;
  std::vector<CompensatedSum> gradient_;
  std::vector<CompensatedSum> information_;
};

double LargestLogHazard(std::span<const std::int32_t> at_risk, std::span<const double> beta) {
  double largest = -std::numeric_limits<double>::infinity();
  for (std::size_t arm = 0; arm < beta.size(); ++arm) {
    if (at_risk[arm] > 0) largest = std::max(largest, beta[arm]);
  }
  return largest;
}

// One draw of one unit from the risk set, `times` times: weights (n_a − f d_a) exp β_a.
void SubtractDraw(const RiskSets& sets, std::size_t set, std::span<const double> beta,
                  double fraction, double times, std::vector<double>& share, Accumulator& sum) {
  const auto n = sets.at_risk(set);
  const auto d = sets.events(set);
  const double largest = LargestLogHazard(n, beta);
  double total = 0;
  for (std::size_t a = 0; a < beta.size(); ++a) {
    share[a] = n[a] == 0 ? 0 : (n[a] - fraction * d[a]) * std::exp(beta[a] - largest);
    total += share[a];
  }
  sum.AddValue(-times * (largest + std::log(total)));
  for (double& weight : share) weight /= total;
  for (std::size_t a = 0; a < beta.size(); ++a) {
    if (n[a] == 0) continue;
    sum.AddGradient(a, -times * share[a]);
    double others = 0;
    for (std::size_t b = 0; b < beta.size(); ++b) {
      if (b == a) continue;
      others += share[b];
      sum.AddInformation(a, b, -times * share[a] * share[b]);
    }
    sum.AddInformation(a, a, times * share[a] * others);
  }
}

void SubtractBreslow(const RiskSets& sets, std::size_t set, std::span<const double> beta,
                     std::vector<double>& share, Accumulator& sum) {
  const auto d = static_cast<double>(Total(sets.events(set)));
  SubtractDraw(sets, set, beta, 0, sets.multiplicity(set) * d, share, sum);
}

void SubtractEfron(const RiskSets& sets, std::size_t set, std::span<const double> beta,
                   std::vector<double>& share, Accumulator& sum) {
  const std::int64_t d = Total(sets.events(set));
  for (std::int64_t l = 0; l < d; ++l) {
    const double fraction = static_cast<double>(l) / static_cast<double>(d);
    SubtractDraw(sets, set, beta, fraction, sets.multiplicity(set), share, sum);
  }
}

void SubtractExact(const RiskSets& sets, std::size_t set, std::span<const double> beta,
                   std::vector<double>& share, Accumulator& sum) {
  const std::int64_t d = Total(sets.events(set));
  const double times = sets.multiplicity(set);
  if (d == 1) return SubtractDraw(sets, set, beta, 0, times, share, sum);
  const ConditionalEvents events = DistributeEvents(sets.at_risk(set), beta, d);
  sum.AddValue(-times * events.log_ways);
  for (std::size_t a = 0; a < beta.size(); ++a) {
    sum.AddGradient(a, -times * events.mean[a]);
    for (std::size_t b = 0; b < beta.size(); ++b) {
      sum.AddInformation(a, b, times * events.covariance[a * beta.size() + b]);
    }
  }
}

}  // namespace

CoxLikelihood EvaluateCox(const RiskSets& sets, std::span<const double> beta, Ties ties) {
  Accumulator sum(sets.arms());
  std::vector<double> share(sets.arms());
  for (std::size_t set = 0; set < sets.size(); ++set) {
    for (std::size_t arm = 0; arm < sets.arms(); ++arm) {
      const double events = sets.multiplicity(set) * sets.events(set)[arm];
      if (events == 0) continue;
      sum.AddValue(events * beta[arm]);
      sum.AddGradient(arm, events);
    }
    switch (ties) {
      case Ties::kExact:
        SubtractExact(sets, set, beta, share, sum);
        break;
      case Ties::kEfron:
        SubtractEfron(sets, set, beta, share, sum);
        break;
      case Ties::kBreslow:
        SubtractBreslow(sets, set, beta, share, sum);
        break;
    }
  }
  return sum.Total();
}

}  // namespace plumule::stats
