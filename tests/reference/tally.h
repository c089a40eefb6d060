#ifndef PLUMULE_TESTS_REFERENCE_TALLY_H_
#define PLUMULE_TESTS_REFERENCE_TALLY_H_

#include <map>
#include <optional>
#include <string>

namespace plumule::reference {

// Relative difference allowed; an absolute one up to `zero` is always allowed, for figures that are
// 0 in theory.
struct Tolerance {
  double relative;
  double zero;
};
inline constexpr Tolerance kClosedForm{.relative = 1e-9, .zero = 1e-12};
// Tail probabilities, however small.
inline constexpr Tolerance kProbability{.relative = 1e-9, .zero = 0};
inline constexpr Tolerance kIterative{.relative = 1e-6, .zero = 1e-9};

// Counts comparisons and keeps the worst one of each method. Each difference beyond its tolerance
// is a failure of the running test, named with the data set it came from.
class Tally {
 public:
  void Enter(std::string data_set) { data_set_ = std::move(data_set); }
  void Compare(const std::string& method, double ours, double theirs, Tolerance tolerance);
  // Both present and equal within tolerance, or both absent.
  void Compare(const std::string& method, std::optional<double> ours, std::optional<double> theirs,
               Tolerance tolerance);
  // Something the reference could not answer, with the reason.
  void LeaveOut(const std::string& reason) { ++left_out_[reason]; }

  long comparisons(const std::string& method) const;
  void Print() const;

 private:
  struct Line {
    long comparisons = 0;
    double worst = 0;
    std::string worst_in;
  };
  std::string data_set_;
  std::map<std::string, Line> lines_;
  std::map<std::string, long> left_out_;
};

}  // namespace plumule::reference

#endif  // PLUMULE_TESTS_REFERENCE_TALLY_H_
