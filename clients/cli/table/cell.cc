#include "clients/cli/table/cell.h"

#include <charconv>
#include <cmath>
#include <string>
#include <system_error>

#include "absl/strings/match.h"

namespace plumule::cli {

std::optional<double> ParseNumber(absl::string_view cell, char mark) {
  // U+2212, which word processors put for a minus.
  constexpr absl::string_view kMinus = "\xE2\x88\x92";
  std::string text;
  if (absl::StartsWith(cell, kMinus)) {
    text = "-";
    cell.remove_prefix(kMinus.size());
  } else if (absl::StartsWith(cell, "+")) {
    cell.remove_prefix(1);
    if (absl::StartsWith(cell, "-")) return std::nullopt;
  }
  for (const char c : cell) {
    const bool fits = (c >= '0' && c <= '9') || c == '-' || c == '+' || c == 'e' || c == 'E';
    if (!fits && c != mark) return std::nullopt;
    text += c == mark ? '.' : c;
  }
  double value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc() || end != text.data() + text.size() || !std::isfinite(value)) {
    return std::nullopt;
  }
  return value;
}

std::optional<int64_t> ParseWhole(absl::string_view cell) {
  int64_t value = 0;
  const auto [end, error] = std::from_chars(cell.data(), cell.data() + cell.size(), value);
  if (error != std::errc() || end != cell.data() + cell.size()) return std::nullopt;
  return value;
}

}  // namespace plumule::cli
