#include "tests/reference/tally.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>

namespace plumule::reference {

void Tally::Compare(const std::string& method, double ours, double theirs, Tolerance tolerance) {
  Line& line = lines_[method];
  ++line.comparisons;
  const double difference = std::abs(ours - theirs);
  const double relative = difference == 0 ? 0 : difference / std::abs(theirs);
  const bool theirs_is_zero = std::abs(theirs) <= 1e3 * tolerance.zero;
  if (relative > line.worst && !theirs_is_zero) {
    line.worst = relative;
    line.worst_in = data_set_;
  }
  EXPECT_TRUE(difference <= tolerance.zero || relative <= tolerance.relative)
      << method << " in " << data_set_ << ": ours " << ours << ", theirs " << theirs
      << ", relative difference " << relative;
}

void Tally::Compare(const std::string& method, std::optional<double> ours,
                    std::optional<double> theirs, Tolerance tolerance) {
  EXPECT_TRUE(ours.has_value() == theirs.has_value())
      << method << " in " << data_set_ << ": ours " << ours.value_or(-1) << ", theirs "
      << theirs.value_or(-1) << " (−1 for absent)";
  if (ours && theirs) {
    Compare(method, *ours, *theirs, tolerance);
  } else {
    ++lines_[method].comparisons;
  }
}

long Tally::comparisons(const std::string& method) const {
  const auto line = lines_.find(method);
  return line == lines_.end() ? 0 : line->second.comparisons;
}

void Tally::Print() const {
  for (const auto& [method, line] : lines_) {
    std::printf("  %-44s %7ld compared, worst relative difference %.1e%s%s\n", method.c_str(),
                line.comparisons, line.worst, line.worst_in.empty() ? "" : " in ",
                line.worst_in.c_str());
  }
  for (const auto& [reason, count] : left_out_) {
    std::printf("  left out %ld: %s\n", count, reason.c_str());
  }
}

}  // namespace plumule::reference
