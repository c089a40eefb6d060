#ifndef PLUMULE_PLUGINS_SDK_FIGURE_H_
#define PLUMULE_PLUGINS_SDK_FIGURE_H_

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "absl/strings/string_view.h"
#include "plumule/analysis/v1/result.pb.h"

namespace plumule::sdk {

// Figures as Vega-Lite v5 specifications with their data inline, in our palette, each with a text
// alternative that carries its numbers. Numbers are rounded to what can be seen. Pure.

// A step of a curve: from `day` on, `share` (0 to 1) of the units have reached the threshold.
struct CurveStep {
  double day = 0;
  double share = 0;
  std::optional<double> lower = std::nullopt;
  std::optional<double> upper = std::nullopt;
  std::int64_t under_way = 0;  // units followed on that day that have not reached it before
};

struct ArmCurve {
  std::string label;
  int position = 0;                   // of the arm in the protocol: its style
  std::vector<CurveStep> steps = {};  // by day, ascending; a first one at day 0 is added if missing
};

// Curves of the share reached by day: a stepped line and band an arm, labelled at its end, and
// below how many units were still under way. Curves of more than 300 steps are thinned to that
// many: at most 1/300 of the axis is lost. `level` is that of the band.
analysis::v1::Figure ReachedFigure(absl::string_view id, absl::string_view title,
                                   absl::string_view caption, const std::vector<ArmCurve>& curves,
                                   double level, absl::string_view plural);

// One estimate with its interval.
struct IntervalRow {
  std::string label;
  std::optional<double> value = std::nullopt;  // absent: only the label is drawn
  std::optional<double> lower = std::nullopt;
  std::optional<double> upper = std::nullopt;
  int position = -1;     // style of an arm; −1: the neutral mark
  double weight = 1;     // 0 to 1: size of the mark, for studies
  bool summary = false;  // drawn as a diamond
};

struct IntervalAxis {
  std::string title;
  std::optional<double> reference = std::nullopt;  // a line: 0 for differences, 1 for ratios
  std::string reference_label = {};                // "no difference"
  bool logarithmic = false;
  int decimals = 1;  // of the numbers in the text alternative
};

// Estimates below each other on one axis.
analysis::v1::Figure IntervalFigure(absl::string_view id, absl::string_view title,
                                    absl::string_view caption, const std::vector<IntervalRow>& rows,
                                    const IntervalAxis& axis);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_FIGURE_H_
