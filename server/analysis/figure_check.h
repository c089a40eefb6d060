// Whether a figure's specification is one that may be shown to anyone.
#pragma once

#include <string>
#include <vector>

#include "absl/strings/string_view.h"

namespace plumule::analysis {

// What is wrong with `vega_lite` by the rules of Figure.vega_lite in result.proto, in words; empty
// if it is fine. At most 20. Linear in its size.
std::vector<std::string> FigureViolations(absl::string_view vega_lite);

}  // namespace plumule::analysis
