#ifndef PLUMULE_PLUGINS_SDK_BLOCK_FIGURE_H_
#define PLUMULE_PLUGINS_SDK_BLOCK_FIGURE_H_

#include <string>
#include <vector>

#include "absl/strings/string_view.h"
#include "plumule/analysis/v1/result.pb.h"

namespace plumule::sdk {

// How one arm did against the control in each block.
struct BlockDifferences {
  std::string label;                     // of the arm
  int position = 0;                      // of the arm in the protocol: its style
  std::vector<double> differences = {};  // one a block; below 0 is sooner; any order
};

// How many blocks showed which difference: a row of bars an arm, on one axis of days with a line
// where there is none. Bars are as wide as keeps them at most 40. The text alternative counts
// blocks on either side and says where the middle half of them lies.
analysis::v1::Figure BlockDifferenceFigure(absl::string_view id, absl::string_view title,
                                           absl::string_view caption,
                                           const std::vector<BlockDifferences>& arms,
                                           absl::string_view axis_title);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_BLOCK_FIGURE_H_
