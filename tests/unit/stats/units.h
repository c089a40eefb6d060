#ifndef PLUMULE_TESTS_UNIT_STATS_UNITS_H_
#define PLUMULE_TESTS_UNIT_STATS_UNITS_H_

#include <cstdint>
#include <vector>

#include "plugins/stats/survival.h"

namespace plumule::stats {

// Rows that own their arrays, for building Survival views in tests.
struct Units {
  int arms = 2;
  std::vector<double> time = {};
  std::vector<std::uint8_t> event = {};
  std::vector<std::int32_t> arm = {};
  std::vector<std::int32_t> block = {};

  void Add(int in_block, int in_arm, double days, bool reached) {
    block.push_back(in_block);
    arm.push_back(in_arm);
    time.push_back(days);
    event.push_back(reached ? 1 : 0);
  }
  Survival view() const {
    return {.time = time, .event = event, .arm = arm, .block = block, .arms = arms};
  }
};

// Remission weeks of 21 pairs of leukaemia patients, placebo (arm 1) and 6-mercaptopurine (arm 0);
// Freireich et al. 1963, Blood 21:699, as in Gehan 1965, Biometrika 52:203 (R: MASS::gehan).
inline Units FreireichPairs() {
  struct Pair {
    double placebo;
    double treated;
    bool treated_relapsed;
  };
  constexpr Pair kPairs[] = {{1, 10, true},  {22, 7, true},   {3, 32, false}, {12, 23, true},
                             {8, 22, true},  {17, 6, true},   {2, 16, true},  {11, 34, false},
                             {8, 32, false}, {12, 25, false}, {2, 11, false}, {5, 20, false},
                             {4, 19, false}, {15, 6, true},   {8, 17, false}, {23, 35, false},
                             {5, 6, true},   {11, 13, true},  {4, 9, false},  {1, 6, false},
                             {8, 10, false}};
  Units units;
  int pair = 0;
  for (const Pair& p : kPairs) {
    units.Add(pair, 1, p.placebo, true);
    units.Add(pair++, 0, p.treated, p.treated_relapsed);
  }
  return units;
}

}  // namespace plumule::stats

#endif  // PLUMULE_TESTS_UNIT_STATS_UNITS_H_
