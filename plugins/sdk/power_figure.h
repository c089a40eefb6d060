#ifndef PLUMULE_PLUGINS_SDK_POWER_FIGURE_H_
#define PLUMULE_PLUGINS_SDK_POWER_FIGURE_H_

#include <optional>
#include <string>
#include <vector>

#include "absl/strings/string_view.h"
#include "plumule/analysis/v1/result.pb.h"

namespace plumule::sdk {

// Power at a number of blocks; with limits where it was simulated.
struct PowerPoint {
  double blocks = 0;
  double power = 0;  // 0 to 1
  std::optional<double> lower = std::nullopt;
  std::optional<double> upper = std::nullopt;
};

// The power curve of one way to find an effect: a line by formula, marks with limits by simulation.
struct PowerCurve {
  std::string label;
  int position = 0;                   // its style, as of an arm
  std::vector<PowerPoint> formula;    // ascending in blocks
  std::vector<PowerPoint> simulated;  // ascending in blocks
};

// Curves over the number of blocks, with the wanted power and the number of blocks at issue as
// lines. `level` is that of the limits of simulated points. As all figures, with a text alternative
// that holds the numbers of every simulated point.
analysis::v1::Figure PowerFigure(absl::string_view id, absl::string_view title,
                                 absl::string_view caption, const std::vector<PowerCurve>& curves,
                                 double wanted_power, double blocks, double level);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_POWER_FIGURE_H_
