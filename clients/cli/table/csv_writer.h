#pragma once

#include <string>
#include <vector>

#include "absl/strings/string_view.h"

namespace plumule::cli {

// One line of CSV (RFC 4180, "\n" at its end). Cells are quoted where needed.
std::string CsvLine(const std::vector<std::string>& cells);

// A cell of words with an apostrophe in front if a spreadsheet would take it for a formula (it
// begins with = + - @ tab or carriage return).
std::string GuardedCell(absl::string_view words);

}  // namespace plumule::cli
