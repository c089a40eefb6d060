#pragma once

#include <cstdint>
#include <optional>

#include "absl/strings/string_view.h"

namespace plumule::cli {

// The whole cell as a finite decimal number with `mark` ('.' or ',') before the fraction. No
// grouping of thousands, no hexadecimal, no "nan" or "inf": nothing for those.
std::optional<double> ParseNumber(absl::string_view cell, char mark = '.');

// The whole cell as a whole number.
std::optional<int64_t> ParseWhole(absl::string_view cell);

}  // namespace plumule::cli
