#pragma once

#include "absl/strings/string_view.h"

namespace plumule::cli {

// What every report carries. Constant.

// vega, vega-lite and vega-interpreter, as built by their authors (BSD 3-clause).
absl::string_view FigureLibraries();
// Draws the figures of a page from the specifications in it; loads nothing.
absl::string_view FigureScript();
// The page's looks, for screens, phones and paper.
absl::string_view StyleSheet();

}  // namespace plumule::cli
