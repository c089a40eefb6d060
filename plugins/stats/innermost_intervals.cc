#include "plugins/stats/innermost_intervals.h"

#include <algorithm>
#include <cmath>
#include <tuple>

namespace plumule::stats {
namespace {

using Span = InnermostIntervals::Span;

// Merges neighbors of the same place.
std::vector<Span> SortedAndMerged(std::vector<Span> spans) {
  const auto place = [](const Span& span) { return std::tie(span.before, span.last); };
  std::sort(spans.begin(), spans.end(),
            [&](const Span& a, const Span& b) { return place(a) < place(b); });
  std::vector<Span> merged;
  for (const Span& span : spans) {
    if (merged.empty() || place(merged.back()) != place(span)) {
      merged.push_back(span);
    } else {
      merged.back().count += span.count;
    }
  }
  return merged;
}

std::vector<double> DistinctDays(const std::vector<std::pair<double, double>>& rows) {
  std::vector<double> days;
  for (const auto& [lower, upper] : rows) {
    days.push_back(lower);
    if (std::isfinite(upper)) days.push_back(upper);
  }
  std::sort(days.begin(), days.end());
  days.erase(std::unique(days.begin(), days.end()), days.end());
  return days;
}

// Atoms of the line: 2 k is the k-th distinct day itself, 2 k + 1 what lies between it and the
// next. Rows become ranges of atoms, both ends included.
std::vector<Span> AtomRanges(const std::vector<std::pair<double, double>>& rows,
                             const std::vector<double>& days) {
  const auto rank = [&](double day) {
    return static_cast<std::size_t>(std::lower_bound(days.begin(), days.end(), day) - days.begin());
  };
  std::vector<Span> ranges;
  for (std::size_t first = 0; first < rows.size();) {
    std::size_t end = first;
    while (end < rows.size() && rows[end] == rows[first]) ++end;
    const auto [lower, upper] = rows[first];
    ranges.push_back({.before = 2 * rank(lower) + (lower < upper ? 1 : 0),
                      .last = std::isfinite(upper) ? 2 * rank(upper) : 2 * days.size() - 1,
                      .count = static_cast<double>(end - first)});
    first = end;
  }
  return ranges;
}

}  // namespace

InnermostIntervals FindInnermostIntervals(std::vector<std::pair<double, double>> rows) {
  InnermostIntervals found;
  if (rows.empty()) return found;
  std::sort(rows.begin(), rows.end());
  const std::vector<double> days = DistinctDays(rows);
  std::vector<Span> ranges = AtomRanges(rows, days);
  const std::size_t atoms = 2 * days.size();
  std::vector<std::uint8_t> begins(atoms), ends(atoms);
  for (const Span& range : ranges) begins[range.before] = ends[range.last] = 1;

  std::vector<std::size_t> cells_begun(atoms), cells_ended(atoms);  // before, and up to, an atom
  std::size_t open = atoms;
  for (std::size_t atom = 0; atom < atoms; ++atom) {
    cells_begun[atom] = found.cells.size();
    if (begins[atom]) open = atom;
    if (ends[atom] && open < atoms) {
      found.cells.push_back(
          {.lower = days[open / 2], .upper = atom % 2 == 0 ? days[atom / 2] : HUGE_VAL});
      open = atoms;
    }
    cells_ended[atom] = found.cells.size();
  }
  for (Span& range : ranges) {
    range.before = cells_begun[range.before];
    range.last = cells_ended[range.last];
  }
  found.spans = SortedAndMerged(std::move(ranges));
  return found;
}

}  // namespace plumule::stats
