#ifndef PLUMULE_PLUGINS_STATS_SURVIVAL_DRAW_H_
#define PLUMULE_PLUGINS_STATS_SURVIVAL_DRAW_H_

#include <cstdint>
#include <random>
#include <vector>

#include "plugins/stats/survival.h"
#include "plugins/stats/survival_plan.h"

namespace plumule::stats {

// Draws whole studies of a valid design (see SurvivalDesign), one after the other in the same
// memory. Units of blocks that fall out are censored on day 0.
class SurvivalDraw {
 public:
  static constexpr std::int32_t kControl = 0;
  static constexpr std::int32_t kTreatment = 1;

  SurvivalDraw(const SurvivalDesign& design, int blocks);

  // Replicate i has its own std::mt19937_64, seeded with std::seed_seq of the low and high halves
  // of the seed, and i; variates are Boost.Random's. O(units).
  void Draw(std::uint64_t seed, int replicate);

  // The study drawn last; valid until the next is drawn. Times are those of looks.
  Survival view() const {
    return {.time = time_, .event = event_, .arm = arm_, .block = block_, .arms = 2};
  }

 private:
  double Frailty(std::mt19937_64& engine) const;
  void DrawUnit(std::mt19937_64& engine, double frailty, double closing, std::size_t row);

  SurvivalDesign design_;
  int blocks_;
  double every_;
  double loss_rate_;
  std::vector<double> time_;
  std::vector<std::uint8_t> event_;
  std::vector<std::int32_t> arm_;
  std::vector<std::int32_t> block_;
};

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_SURVIVAL_DRAW_H_
