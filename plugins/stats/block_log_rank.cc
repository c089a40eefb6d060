#include "plugins/stats/block_log_rank.h"

#include <Eigen/Dense>
#include <cstddef>

namespace plumule::stats {
namespace {

// Row r: chances that 0, 1 … of r units stay, each with chance p on its own. By Pascal's rule.
Eigen::MatrixXd Thinning(Eigen::Index units, double p) {
  Eigen::MatrixXd chances = Eigen::MatrixXd::Zero(units + 1, units + 1);
  chances(0, 0) = 1;
  for (Eigen::Index r = 1; r <= units; ++r) {
    for (Eigen::Index s = 0; s <= r; ++s) {
      chances(r, s) = (1 - p) * chances(r - 1, s) + (s > 0 ? p * chances(r - 1, s - 1) : 0);
    }
  }
  return chances;
}

// Moments of the sum from some look on, by units at risk: row in arm 1, column in arm 0.
class Ahead {
 public:
  explicit Ahead(Eigen::Index units)
      : mean_(Eigen::MatrixXd::Zero(units + 1, units + 1)),
        second_moment_(mean_),
        information_(mean_) {}

  // Before units stay with chances p1 and p0, and the block with chance `open`.
  void Thin(double p1, double p0, double open) {
    const Eigen::Index units = mean_.rows() - 1;
    const Eigen::MatrixXd rows = open * Thinning(units, p1);
    const Eigen::MatrixXd columns = Thinning(units, p0).transpose();
    for (Eigen::MatrixXd* table : {&mean_, &second_moment_, &information_}) {
      *table = rows.triangularView<Eigen::Lower>() * *table;
      *table = *table * columns.triangularView<Eigen::Upper>();
    }
  }

  // Adds a look at which each unit at risk is seen across with chance q1 or q0. The tables must be
  // of what follows, by units at risk at this look.
  void AddLook(double q1, double q0) {
    // From the largest numbers down: second moments need the means of smaller ones as they were.
    for (Eigen::Index r1 = mean_.rows() - 1; r1 > 0; --r1) {
      for (Eigen::Index r0 = mean_.cols() - 1; r0 > 0; --r0) Add(r1, q1, r0, q0);
    }
  }

  BlockLogRank With(Eigen::Index units) const {
    return {.mean = mean_(units, units),
            .second_moment = second_moment_(units, units),
            .information = information_(units, units)};
  }

 private:
  void Add(Eigen::Index r1, double q1, Eigen::Index r0, double q0) {
    const auto at_risk1 = static_cast<double>(r1);
    const auto at_risk0 = static_cast<double>(r0);
    const double n = at_risk1 + at_risk0;
    const double pairs = at_risk1 * at_risk0;
    const double variance1 = at_risk1 * q1 * (1 - q1);
    const double variance0 = at_risk0 * q0 * (1 - q0);
    const double events = at_risk1 * q1 + at_risk0 * q0;

    // Observed − expected at this look is d1 r0/n − d0 r1/n for d1 and d0 events.
    const double mean = pairs / n * (q1 - q0);
    const double variance =
        (at_risk0 * at_risk0 * variance1 + at_risk1 * at_risk1 * variance0) / (n * n);
    // E[d1 f(the rest)] = r1 q1 E[f(the rest of r1 − 1)]: any of the r1 may be the one across.
    const double product = pairs / n * (q1 * mean_(r1 - 1, r0) - q0 * mean_(r1, r0 - 1));
    second_moment_(r1, r0) += mean * mean + variance + 2 * product;
    mean_(r1, r0) += mean;
    // Hypergeometric: d (n − d) r1 r0 / (n² (n − 1)).
    information_(r1, r0) +=
        pairs / (n * n * (n - 1)) * (n * events - events * events - variance1 - variance0);
  }

  Eigen::MatrixXd mean_;
  Eigen::MatrixXd second_moment_;
  Eigen::MatrixXd information_;
};

}  // namespace

BlockLogRank ExpectBlockLogRank(int units, const LookChances& chances) {
  Ahead ahead(units);
  for (std::size_t look = chances.open.size(); look-- > 0;) {
    const double q1 = chances.reached[1][look];
    const double q0 = chances.reached[0][look];
    if (look + 1 < chances.open.size()) {
      ahead.Thin((1 - q1) * chances.kept, (1 - q0) * chances.kept, chances.open[look + 1]);
    }
    ahead.AddLook(q1, q0);
  }
  if (!chances.open.empty()) ahead.Thin(chances.kept, chances.kept, chances.open.front());
  return ahead.With(units);
}

}  // namespace plumule::stats
