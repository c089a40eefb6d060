// Invented growers: a small simulation of what happens on their windowsills.
//
// Nothing here is measured. The medians, failure shares and spreads are made up for demonstration;
// the shape (lognormal days, growers who differ, looks every few days, some who stop) is common
// practice in germination and rooting trials, no source.
#pragma once

#include <cstdint>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "absl/time/civil_time.h"

namespace plumule::demo {

// What one arm does to a unit.
struct ArmEffect {
  std::string arm;
  double median_days = 0;  // to the threshold, for units that ever get there
  double never = 0;        // share that never gets there, 0 to 1
};

// One invented study.
struct Scenario {
  std::vector<ArmEffect> arms;
  int growers = 0;
  int units_per_arm = 1;
  double grower_spread = 0;  // standard deviation of log days between growers
  double unit_spread = 0;    // and between units of one grower
  int look_every_days = 1;
  double stops = 0;          // share of growers who stop half way, 0 to 1
  double skips_look = 0.10;  // share of looks that are skipped, 0 to 1
  absl::CivilDay first_start;
  absl::CivilDay last_start;
  absl::CivilDay last_look;
};

// What became of one unit. Days are civil days.
struct Unit {
  std::string id;
  std::string arm;
  absl::CivilDay start;
  double days_to_threshold = 0;             // infinite if never
  std::optional<absl::CivilDay> rotted_on;  // biological loss
  std::vector<absl::CivilDay> looks;        // ascending, ends with the first look beyond
};

// One grower with one block.
struct Grower {
  std::string id;
  std::string country;  // ISO 3166-1 alpha-2
  std::vector<Unit> units;
  std::optional<absl::CivilDay> stopped_on;
};

// Draws `scenario.growers` growers. The same seed gives the same growers with the same standard
// library.
std::vector<Grower> DrawGrowers(const Scenario& scenario, std::mt19937_64& random);

// A number in [0, 1).
double Uniform(std::mt19937_64& random);

// One of `count` positions, count > 0.
std::size_t Pick(std::mt19937_64& random, std::size_t count);

}  // namespace plumule::demo
