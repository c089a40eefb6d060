#ifndef PLUMULE_PLUGINS_SDK_LOOK_FIGURE_H_
#define PLUMULE_PLUGINS_SDK_LOOK_FIGURE_H_

#include <string>
#include <vector>

#include "absl/strings/string_view.h"
#include "plumule/analysis/v1/result.pb.h"

namespace plumule::sdk {

// From `day` on: shares reached at most (each unit right after its last look without) and at least
// (each on its first look with), 0 to 1.
struct LookStep {
  double day = 0;
  double at_most = 0;
  double at_least = 0;
};

// What looks some days apart leave open about one arm.
struct LookRange {
  std::string label;                 // of the arm
  int position = 0;                  // of the arm in the protocol: its style
  std::vector<LookStep> steps = {};  // ascending in days
  double middle_gap = 0;             // days between the two looks of the middle unit
  double widest_gap = 0;
};

// A panel an arm, on one axis of days: the range in which the share reached may lie, with the line
// of the day first seen at its lower edge. The text alternative gives the range of days by which
// half had reached it and the gaps between looks.
analysis::v1::Figure LookFigure(absl::string_view id, absl::string_view title,
                                absl::string_view caption, const std::vector<LookRange>& arms,
                                absl::string_view plural);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_LOOK_FIGURE_H_
