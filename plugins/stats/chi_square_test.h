#ifndef PLUMULE_PLUGINS_STATS_CHI_SQUARE_TEST_H_
#define PLUMULE_PLUGINS_STATS_CHI_SQUARE_TEST_H_

#include <optional>

namespace plumule::stats {

// A statistic referred to the upper tail of a chi-square distribution.
struct ChiSquareTest {
  double statistic = 0;
  int degrees_of_freedom = 0;
  // Absent when there are no degrees of freedom: the data hold nothing to compare.
  std::optional<double> p_value = std::nullopt;
};

// `statistic` (finite, not negative) on `degrees_of_freedom` (0 or more), with its p-value.
ChiSquareTest ReferToChiSquare(double statistic, int degrees_of_freedom);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_CHI_SQUARE_TEST_H_
