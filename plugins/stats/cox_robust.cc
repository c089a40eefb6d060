#include "plugins/stats/cox_robust.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <tuple>

#include "plugins/stats/block_sums.h"

namespace plumule::stats {
namespace {

std::vector<std::size_t> RowsByTime(const Survival& data) {
  std::vector<std::size_t> rows(data.units());
  for (std::size_t row = 0; row < rows.size(); ++row) rows[row] = row;
  const auto key = [&](std::size_t row) {
    return std::tuple(data.time[row], data.event[row], data.ArmOf(row));
  };
  std::sort(rows.begin(), rows.end(),
            [&](std::size_t a, std::size_t b) { return key(a) < key(b); });
  return rows;
}

// Integrals over the baseline hazard increments seen so far: ∫ dΛ and, by arm, ∫ x̄ dΛ.
struct Compensator {
  double hazard = 0;
  std::vector<double> mean_hazard;
};

// Walks through the event times and, at each, works out the residuals of the units that leave.
class ScoreResiduals {
 public:
  ScoreResiduals(const Survival& data, std::span<const double> beta, Ties ties)
      : data_(data), ties_(ties), arms_(beta.size()), at_risk_(arms_, 0.0), mean_(arms_) {
    const double largest = *std::max_element(beta.begin(), beta.end());
    for (double b : beta) hazard_ratio_.push_back(std::exp(b - largest));
    for (std::size_t row = 0; row < data.units(); ++row) at_risk_[Arm(row)] += 1;
    all_.mean_hazard.assign(arms_, 0.0);
  }

  // `leaving`: all rows with one time. Appends their residuals, k each, in that order.
  void Leave(std::span<const std::size_t> leaving, std::vector<double>& residuals) {
    std::vector<double> events(arms_, 0.0);
    double count = 0;
    for (std::size_t row : leaving) {
      events[Arm(row)] += data_.event[row];
      count += data_.event[row];
    }
    Compensator of_events = all_;  // those with an event here bear only part of the increments
    std::vector<double> event_mean(arms_, 0.0);
    for (double l = 0; l < count; ++l) Draw(events, l / count, count, of_events, event_mean);
    for (std::size_t row : leaving) {
      Append(Arm(row), data_.event[row] == 1, event_mean, data_.event[row] ? of_events : all_,
             residuals);
    }
    for (std::size_t row : leaving) at_risk_[Arm(row)] -= 1;
  }

 private:
  std::size_t Arm(std::size_t row) const { return static_cast<std::size_t>(data_.ArmOf(row)); }

  // One of `count` tied events: `fraction` of the tied units is taken as gone (Efron).
  void Draw(const std::vector<double>& events, double fraction, double count,
            Compensator& of_events, std::vector<double>& event_mean) {
    const double gone = ties_ == Ties::kEfron ? fraction : 0;
    double total = 0;
    for (std::size_t a = 0; a < arms_; ++a) {
      mean_[a] = (at_risk_[a] - gone * events[a]) * hazard_ratio_[a];
      total += mean_[a];
    }
    all_.hazard += 1 / total;
    of_events.hazard += (1 - gone) / total;
    for (std::size_t a = 0; a < arms_; ++a) {
      mean_[a] /= total;
      all_.mean_hazard[a] += mean_[a] / total;
      of_events.mean_hazard[a] += mean_[a] * (1 - gone) / total;
      event_mean[a] += mean_[a] / count;
    }
  }

  void Append(std::size_t arm, bool event, const std::vector<double>& event_mean,
              const Compensator& borne, std::vector<double>& residuals) const {
    for (std::size_t a = 0; a < arms_; ++a) {
      const double own = a == arm ? 1 : 0;
      double residual = event ? own - event_mean[a] : 0;
      residual -= hazard_ratio_[arm] * (own * borne.hazard - borne.mean_hazard[a]);
      residuals.push_back(residual);
    }
  }

  const Survival& data_;
  Ties ties_;
  std::size_t arms_;
  std::vector<double> hazard_ratio_;  // relative to the largest
  std::vector<double> at_risk_;
  std::vector<double> mean_;
  Compensator all_;
};

}  // namespace

std::vector<double> BlockScoreProducts(const Survival& data, std::span<const double> beta,
                                       Ties ties) {
  const std::vector<std::size_t> rows = RowsByTime(data);
  ScoreResiduals scores(data, beta, ties);
  std::vector<double> residuals;
  residuals.reserve(rows.size() * beta.size());
  for (std::size_t start = 0; start < rows.size();) {
    std::size_t end = start;
    while (end < rows.size() && data.time[rows[end]] == data.time[rows[start]]) ++end;
    scores.Leave(std::span(rows).subspan(start, end - start), residuals);
    start = end;
  }
  std::vector<std::int32_t> blocks;
  blocks.reserve(rows.size());
  for (std::size_t row : rows) blocks.push_back(data.BlockOf(row));
  return OuterProductSum(BlockSums(blocks, residuals, beta.size()), beta.size());
}

}  // namespace plumule::stats
