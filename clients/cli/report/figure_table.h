#pragma once

#include <string>

#include "absl/strings/string_view.h"

namespace plumule::cli {

// The inline data of a Vega-Lite specification as HTML tables, one for each different data set, at
// most 1,000 rows of each (a line says how many more there are). "" if there are none, or if the
// specification can't be read.
std::string FigureTables(absl::string_view vega_lite);

// Whether the specification is a JSON object, as a page may draw it.
bool IsDrawable(absl::string_view vega_lite);

}  // namespace plumule::cli
