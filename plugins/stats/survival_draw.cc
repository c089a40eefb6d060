#include "plugins/stats/survival_draw.h"

#include <algorithm>
#include <boost/random/exponential_distribution.hpp>
#include <boost/random/gamma_distribution.hpp>
#include <boost/random/uniform_01.hpp>
#include <cmath>
#include <cstddef>
#include <limits>

namespace plumule::stats {
namespace {

double Uniform(std::mt19937_64& engine) { return boost::random::uniform_01<>()(engine); }

double Exponential(std::mt19937_64& engine) {
  return boost::random::exponential_distribution<>()(engine);
}

}  // namespace

SurvivalDraw::SurvivalDraw(const SurvivalDesign& design, int blocks)
    : design_(design), blocks_(blocks), every_(LookInterval(design)), loss_rate_(LossRate(design)) {
  for (std::int32_t block = 0; block < blocks; ++block) {
    for (const std::int32_t arm : {kControl, kTreatment}) {
      arm_.insert(arm_.end(), static_cast<std::size_t>(design.units_per_arm), arm);
      block_.insert(block_.end(), static_cast<std::size_t>(design.units_per_arm), block);
    }
  }
  time_.resize(arm_.size());
  event_.resize(arm_.size());
}

void SurvivalDraw::Draw(std::uint64_t seed, int replicate) {
  std::seed_seq sequence{static_cast<std::uint32_t>(seed), static_cast<std::uint32_t>(seed >> 32),
                         static_cast<std::uint32_t>(replicate)};
  std::mt19937_64 engine(sequence);
  std::size_t row = 0;
  for (int block = 0; block < blocks_; ++block) {
    const bool silent = Uniform(engine) < design_.block_loss_share;
    const double frailty = Frailty(engine);
    const double range = design_.longest_follow_up - design_.shortest_follow_up;
    const double closing = silent ? 0 : design_.shortest_follow_up + range * Uniform(engine);
    for (int unit = 0; unit < 2 * design_.units_per_arm; ++unit) {
      DrawUnit(engine, frailty, closing, row++);
    }
  }
}

double SurvivalDraw::Frailty(std::mt19937_64& engine) const {
  const double variance = design_.block_variance;
  if (variance == 0) return 1;
  return boost::random::gamma_distribution<>(1 / variance, variance)(engine);
}

void SurvivalDraw::DrawUnit(std::mt19937_64& engine, double frailty, double closing,
                            std::size_t row) {
  const bool treated = arm_[row] == kTreatment;
  const double never = treated ? design_.treatment_never : design_.control_never;
  double followed = closing;
  if (loss_rate_ > 0) followed = std::min(followed, Exponential(engine) / loss_rate_);
  double crossing = std::numeric_limits<double>::infinity();
  if (!(Uniform(engine) < never)) {
    const double hazard = frailty * (treated ? design_.hazard_ratio : 1);
    crossing = design_.control_median *
               std::pow(Exponential(engine) / (hazard * std::log(2.0)), 1 / design_.shape);
  }
  const double seen = std::max(1.0, std::ceil(crossing / every_));
  const double last = std::floor(followed / every_);
  event_[row] = seen <= last ? 1 : 0;
  time_[row] = std::min(seen, last) * every_;
}

}  // namespace plumule::stats
