#include "examples/demo/growers.h"

#include <algorithm>
#include <cmath>
#include <iterator>
#include <limits>

#include "absl/strings/str_format.h"

namespace plumule::demo {
namespace {

// Both hemispheres.
constexpr const char* kCountries[] = {"PT", "IE", "CA", "CO", "KE", "IN", "NZ", "ZA", "CL", "JP"};

Unit DrawUnit(const Scenario& scenario, const ArmEffect& effect, absl::CivilDay start,
              double grower_factor, std::mt19937_64& random) {
  std::normal_distribution<double> normal;
  Unit unit;
  unit.arm = effect.arm;
  unit.start = start;
  unit.days_to_threshold = std::numeric_limits<double>::infinity();
  const double spread = std::exp(grower_factor + scenario.unit_spread * normal(random));
  if (Uniform(random) >= effect.never) {
    unit.days_to_threshold = effect.median_days * spread;
  } else if (Uniform(random) < 0.5) {
    // Half of those that never get there rot visibly, at a time like the others' success.
    unit.rotted_on = start + static_cast<int>(std::lround(effect.median_days * spread * 1.2)) + 2;
  }
  return unit;
}

// The looks that the grower takes at this unit, up to its event, its end or the grower's.
void DrawLooks(const Scenario& scenario, absl::CivilDay end, Unit& unit, std::mt19937_64& random) {
  if (unit.rotted_on && *unit.rotted_on > end) unit.rotted_on.reset();
  for (absl::CivilDay day = unit.start + scenario.look_every_days; day <= end;
       day += scenario.look_every_days) {
    if (unit.rotted_on && day >= *unit.rotted_on) return;
    if (Uniform(random) < scenario.skips_look) continue;
    unit.looks.push_back(day);
    if (static_cast<double>(day - unit.start) >= unit.days_to_threshold) return;
  }
}

}  // namespace

double Uniform(std::mt19937_64& random) { return static_cast<double>(random() >> 11) * 0x1.0p-53; }

std::size_t Pick(std::mt19937_64& random, std::size_t count) {
  return std::min(count - 1,
                  static_cast<std::size_t>(Uniform(random) * static_cast<double>(count)));
}

std::vector<Grower> DrawGrowers(const Scenario& scenario, std::mt19937_64& random) {
  std::normal_distribution<double> normal;
  std::vector<Grower> growers;
  const auto window = scenario.last_start - scenario.first_start + 1;
  for (int number = 1; number <= scenario.growers; ++number) {
    Grower grower;
    grower.id = absl::StrFormat("g%03d", number);
    grower.country = kCountries[Pick(random, std::size(kCountries))];
    const absl::CivilDay start =
        scenario.first_start +
        static_cast<absl::civil_diff_t>(Pick(random, static_cast<std::size_t>(window)));
    if (Uniform(random) < scenario.stops) {
      grower.stopped_on = start + 4 + static_cast<absl::civil_diff_t>(Pick(random, 20));
    }
    const absl::CivilDay end =
        std::min(scenario.last_look, grower.stopped_on.value_or(scenario.last_look));
    const double grower_factor = scenario.grower_spread * normal(random);
    for (const ArmEffect& effect : scenario.arms) {
      for (int copy = 0; copy < scenario.units_per_arm; ++copy) {
        Unit unit = DrawUnit(scenario, effect, start, grower_factor, random);
        unit.id = absl::StrFormat("u%d", grower.units.size() + 1);
        DrawLooks(scenario, end, unit, random);
        grower.units.push_back(std::move(unit));
      }
    }
    growers.push_back(std::move(grower));
  }
  return growers;
}

}  // namespace plumule::demo
