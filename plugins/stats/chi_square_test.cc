#include "plugins/stats/chi_square_test.h"

#include <boost/math/distributions/chi_squared.hpp>

namespace plumule::stats {

ChiSquareTest ReferToChiSquare(double statistic, int degrees_of_freedom) {
  ChiSquareTest test{.statistic = statistic, .degrees_of_freedom = degrees_of_freedom};
  if (degrees_of_freedom == 0) return test;
  test.p_value = boost::math::cdf(
      boost::math::complement(boost::math::chi_squared(degrees_of_freedom), statistic));
  return test;
}

}  // namespace plumule::stats
