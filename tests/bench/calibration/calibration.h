#ifndef PLUMULE_TESTS_BENCH_CALIBRATION_CALIBRATION_H_
#define PLUMULE_TESTS_BENCH_CALIBRATION_CALIBRATION_H_

#include <cstdint>
#include <string>
#include <vector>

namespace plumule::calibration {

// Do intervals hold the truth as often as they say, and do tests reject a true null hypothesis no
// more often than they may? Answered by drawing realistic studies: two units an arm in blocks with
// a gamma frailty, some that never reach the threshold, losses, silent blocks, looks every 3 days.

// How often something happened over the studies drawn.
struct Rate {
  std::string what;    // "interval holds the truth" or "test rejects though nothing differs"
  std::string method;  // measure or test, and method, as results name them
  int blocks = 0;
  double never = 0;  // share of units that never reach the threshold
  int studies = 0;   // with an answer
  double rate = 0;
  double nominal = 0;    // 0.95 or 0.05
  double allowance = 0;  // what is known to be lost beside Monte Carlo error

  double error() const;  // Monte Carlo, at the nominal rate
  // Intervals: not below nominal by more than the allowance and four Monte Carlo errors. Tests: not
  // above it by as much. Too careful is allowed, and seen in the table.
  bool holds() const;
};

// All methods on all designs, `studies` studies each, drawn from `seed`.
std::vector<Rate> Calibrate(const std::vector<int>& blocks, int studies, std::uint64_t seed);

// As a table of Markdown.
std::string TableOf(const std::vector<Rate>& rates);

}  // namespace plumule::calibration

#endif  // PLUMULE_TESTS_BENCH_CALIBRATION_CALIBRATION_H_
