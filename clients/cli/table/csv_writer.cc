#include "clients/cli/table/csv_writer.h"

#include "absl/strings/str_cat.h"
#include "absl/strings/str_replace.h"

namespace plumule::cli {

std::string CsvLine(const std::vector<std::string>& cells) {
  std::string line;
  const char* between = "";
  for (const std::string& cell : cells) {
    line += between;
    between = ",";
    const bool quoted = cell.find_first_of(",\"\r\n;") != std::string::npos ||
                        (!cell.empty() && (cell.front() == ' ' || cell.back() == ' '));
    if (quoted) {
      absl::StrAppend(&line, "\"", absl::StrReplaceAll(cell, {{"\"", "\"\""}}), "\"");
    } else {
      line += cell;
    }
  }
  return line + "\n";
}

std::string GuardedCell(absl::string_view words) {
  constexpr absl::string_view kFormula = "=+-@\t\r";
  if (!words.empty() && kFormula.find(words[0]) != absl::string_view::npos) {
    return absl::StrCat("'", words);
  }
  return std::string(words);
}

}  // namespace plumule::cli
