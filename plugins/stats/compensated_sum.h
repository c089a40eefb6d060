#ifndef PLUMULE_PLUGINS_STATS_COMPENSATED_SUM_H_
#define PLUMULE_PLUGINS_STATS_COMPENSATED_SUM_H_

#include <cmath>

namespace plumule::stats {

// Running sum that carries the rounding error of every addition (Neumaier 1974, ZAMM 54:39, a
// variant of Kahan's that also survives terms larger than the sum).
class CompensatedSum {
 public:
  void Add(double term) {
    const double sum = sum_ + term;
    lost_ += std::abs(sum_) >= std::abs(term) ? (sum_ - sum) + term : (term - sum) + sum_;
    sum_ = sum;
  }
  double value() const { return sum_ + lost_; }

 private:
  double sum_ = 0;
  double lost_ = 0;
};

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_COMPENSATED_SUM_H_
