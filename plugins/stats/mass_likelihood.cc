#include "plugins/stats/mass_likelihood.h"

#include <Eigen/Sparse>
#include <algorithm>
#include <cmath>
#include <utility>

#include "plugins/stats/compensated_sum.h"

namespace plumule::stats {
namespace {

using Span = InnermostIntervals::Span;

constexpr int kMaxHalvings = 50;
// An iteration: enough of the cheap steps to leave few cells for the dear ones.
constexpr int kMinorantSteps = 10;
constexpr int kMaxNewtonSteps = 10;
// A mass that Newton's method leaves below this is rounding of F: none.
constexpr double kNoMass = 1e-14;

// Shares with what the likelihood makes of them.
class Maximizer {
 public:
  explicit Maximizer(const InnermostIntervals& data)
      : spans_(data.spans), reached_(data.cells.size() + 1), direction_(data.cells.size()) {
    for (const Span& span : spans_) units_ += span.count;
    const auto cells = static_cast<double>(data.cells.size());
    for (std::size_t i = 0; i < reached_.size(); ++i) {
      reached_[i] = static_cast<double>(i) / cells;
    }
    value_ = Value(reached_);
    SetDirections();
  }

  void Iterate() {
    for (int step = 0; step < kMinorantSteps; ++step) {
      Expect();
      MoveToMinorant();
      SetDirections();
    }
    for (int step = 0; step < kMaxNewtonSteps && StepIsBlocked(); ++step) continue;
    SetDirections();
  }

  double Imbalance() const {
    double worst = 0;
    for (std::size_t cell = 0; cell < direction_.size(); ++cell) {
      const double excess = direction_[cell] - 1;
      worst = std::max(worst, Mass(cell) > 0 ? std::abs(excess) : excess);
    }
    return worst;
  }
  const std::vector<double>& reached() const { return reached_; }
  double log_likelihood() const { return units_ * value_; }

 private:
  double Mass(std::size_t cell) const { return reached_[cell + 1] - reached_[cell]; }

  // Log-likelihood a unit; −infinity where a span holds no mass.
  double Value(const std::vector<double>& reached) const {
    CompensatedSum value;
    for (const Span& span : spans_) {
      const double share = reached[span.last] - reached[span.before];
      if (!(share > 0)) return -HUGE_VAL;
      value.Add(span.count / units_ * std::log(share));
    }
    return value.value();
  }

  // Takes the shares if the likelihood does not fall, but for rounding.
  bool Take(std::vector<double> reached) {
    const double value = Value(reached);
    if (!(value >= value_ - 1e-14 * (1 + std::abs(value_)))) return false;
    reached_ = std::move(reached);
    value_ = value;
    return true;
  }

  // Shares of these masses, whose sum is 1 but for rounding.
  std::vector<double> SharesOf(const std::vector<double>& masses) const {
    std::vector<double> reached = {0};
    for (const double mass : masses) reached.push_back(reached.back() + mass);
    for (double& share : reached) share /= reached.back();
    return reached;
  }

  void SetDirections() {
    std::vector<double> change(reached_.size());
    for (const Span& span : spans_) {
      const double pull = span.count / units_ / (reached_[span.last] - reached_[span.before]);
      change[span.before] += pull;
      change[span.last] -= pull;
    }
    CompensatedSum direction;
    for (std::size_t cell = 0; cell < direction_.size(); ++cell) {
      direction.Add(change[cell]);
      direction_[cell] = direction.value();
    }
  }

  // One step of expectation and maximization (Turnbull's self-consistency).
  void Expect() {
    std::vector<double> masses;
    for (std::size_t cell = 0; cell < direction_.size(); ++cell) {
      masses.push_back(Mass(cell) * direction_[cell]);
    }
    Take(SharesOf(masses));
  }

  // Towards the ascending shares nearest to Newton's with the mixed derivatives left out.
  void MoveToMinorant() {
    std::vector<double> slope(reached_.size()), weight(reached_.size());
    for (const Span& span : spans_) {
      const double share = reached_[span.last] - reached_[span.before];
      const double pull = span.count / units_ / share;
      slope[span.last] += pull;
      slope[span.before] -= pull;
      weight[span.last] += pull / share;
      weight[span.before] += pull / share;
    }
    std::vector<Pool> pools;
    for (std::size_t i = 1; i + 1 < reached_.size(); ++i) {
      pools.push_back({weight[i], reached_[i] + slope[i] / weight[i], 1});
      while (pools.size() > 1 && pools[pools.size() - 2].level >= pools.back().level) Merge(pools);
    }
    std::vector<double> aim = {0};
    for (const Pool& pool : pools) aim.insert(aim.end(), pool.size, std::clamp(pool.level, 0., 1.));
    aim.push_back(1);
    double gain = 0;
    for (std::size_t i = 0; i < aim.size(); ++i) gain += slope[i] * (aim[i] - reached_[i]);
    double part = 1;
    for (int halving = 0; halving < kMaxHalvings; ++halving, part /= 2) {
      std::vector<double> reached = aim;
      for (std::size_t i = 0; part < 1 && i < aim.size(); ++i) {
        reached[i] = reached_[i] + part * (aim[i] - reached_[i]);
      }
      if (Value(reached) >= value_ + 0.01 * part * gain && Take(std::move(reached))) return;
    }
  }

  // Neighbors that share a level.
  struct Pool {
    double weight;
    double level;
    std::size_t size;
  };
  static void Merge(std::vector<Pool>& pools) {
    const Pool last = pools.back();
    pools.pop_back();
    Pool& into = pools.back();
    const double weight = into.weight + last.weight;
    into.level += (last.level - into.level) * (last.weight / weight);
    into.weight = weight;
    into.size += last.size;
  }

  // A Newton step on the cells with mass, as far as none of them falls below 0. True where one
  // stopped it there: that cell is then left out, and another step is worth while.
  bool StepIsBlocked();
  // Change of the share at the end of each cell with mass by a full Newton step; `level` = number
  // of such cells up to each place of `reached_`. Empty where it can't be had.
  Eigen::VectorXd NewtonStep(const std::vector<Eigen::Index>& level) const;

  const std::vector<Span>& spans_;
  double units_ = 0;
  std::vector<double> reached_;
  std::vector<double> direction_;  // d of each cell
  double value_ = 0;
};

Eigen::VectorXd Maximizer::NewtonStep(const std::vector<Eigen::Index>& level) const {
  const Eigen::Index free = level.back() - 1;  // the last share is 1
  Eigen::VectorXd slope = Eigen::VectorXd::Zero(free);
  std::vector<Eigen::Triplet<double>> entries;
  const auto inside = [&](Eigen::Index i) { return i >= 1 && i <= free; };
  for (const Span& span : spans_) {
    const double share = reached_[span.last] - reached_[span.before];
    const double pull = span.count / units_ / share;
    const Eigen::Index from = level[span.before];
    const Eigen::Index to = level[span.last];
    if (inside(to)) {
      slope[to - 1] += pull;
      entries.emplace_back(to - 1, to - 1, pull / share);
    }
    if (inside(from)) {
      slope[from - 1] -= pull;
      entries.emplace_back(from - 1, from - 1, pull / share);
    }
    if (inside(from) && inside(to)) entries.emplace_back(to - 1, from - 1, -pull / share);
  }
  Eigen::SparseMatrix<double> information(free, free);  // lower triangle
  information.setFromTriplets(entries.begin(), entries.end());
  const Eigen::SimplicialLDLT<Eigen::SparseMatrix<double>> factors(information);
  if (factors.info() != Eigen::Success) return {};
  Eigen::VectorXd step = Eigen::VectorXd::Zero(free + 2);
  step.segment(1, free) = factors.solve(slope);
  return step.allFinite() ? step : Eigen::VectorXd();
}

bool Maximizer::StepIsBlocked() {
  std::vector<Eigen::Index> level = {0};
  for (std::size_t cell = 0; cell < direction_.size(); ++cell) {
    level.push_back(level.back() + (Mass(cell) > 0 ? 1 : 0));
  }
  if (level.back() < 2) return false;
  const Eigen::VectorXd step = NewtonStep(level);
  if (step.size() == 0) return false;
  std::vector<double> change(direction_.size());
  double part = 1;
  for (std::size_t cell = 0; cell < change.size(); ++cell) {
    change[cell] = step[level[cell + 1]] - step[level[cell]];
    if (Mass(cell) + part * change[cell] < 0) part = -Mass(cell) / change[cell];
  }
  const bool blocked = part < 1;
  for (int halving = 0; halving < kMaxHalvings; ++halving, part /= 2) {
    std::vector<double> masses;
    for (std::size_t cell = 0; cell < change.size(); ++cell) {
      const double mass = Mass(cell) + part * change[cell];
      masses.push_back(mass > kNoMass ? mass : 0);
    }
    if (Take(SharesOf(masses))) return blocked && halving == 0;
  }
  return false;
}

}  // namespace

MassMaximum MaximizeMass(const InnermostIntervals& data, int max_iterations) {
  MassMaximum result;
  if (data.cells.empty()) return result;
  Maximizer maximizer(data);
  result.imbalance = maximizer.Imbalance();
  while (result.imbalance > kMassTolerance && result.iterations < max_iterations) {
    maximizer.Iterate();
    result.imbalance = maximizer.Imbalance();
    ++result.iterations;
  }
  result.reached = maximizer.reached();
  result.log_likelihood = maximizer.log_likelihood();
  return result;
}

}  // namespace plumule::stats
