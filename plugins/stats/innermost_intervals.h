#ifndef PLUMULE_PLUGINS_STATS_INNERMOST_INTERVALS_H_
#define PLUMULE_PLUGINS_STATS_INNERMOST_INTERVALS_H_

#include <cstdint>
#include <utility>
#include <vector>

namespace plumule::stats {

// What times between looks, (lower, upper] or exact where both are equal, say about where mass of
// the maximum-likelihood distribution can be: only in the innermost intervals, those that begin at
// some row's lower day and end at some row's upper day with no other of either between (Peto 1973,
// JRSS C 22:86; Turnbull 1976). They are disjoint and ascend in time.
struct InnermostIntervals {
  struct Cell {
    double lower = 0;  // (lower, upper], the point `upper` where both are equal
    double upper = 0;  // +infinity: never seen
  };
  // Rows that hold the same cells, before … last − 1 counting from 0.
  struct Span {
    std::size_t before = 0;
    std::size_t last = 0;
    double count = 0;
  };
  std::vector<Cell> cells = {};
  std::vector<Span> spans = {};  // each pair (before, last) once, ascending
};

// Rows (lower, upper), valid as in IntervalTimes, in any order. O(n log n).
InnermostIntervals FindInnermostIntervals(std::vector<std::pair<double, double>> rows);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_INNERMOST_INTERVALS_H_
