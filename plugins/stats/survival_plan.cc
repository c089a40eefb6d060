#include "plugins/stats/survival_plan.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plugins/stats/block_log_rank.h"
#include "plugins/stats/compensated_sum.h"

namespace plumule::stats {
namespace {

struct Bounds {
  const char* field;
  double value;
  double least;
  double most;
  bool excluding_most = false;
};

absl::Status Check(const Bounds& bounds) {
  const bool below =
      bounds.excluding_most ? bounds.value < bounds.most : bounds.value <= bounds.most;
  if (bounds.value >= bounds.least && below) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat(bounds.field, " is ", bounds.value, "; it must be at least ", bounds.least,
                   bounds.excluding_most ? " and below " : " and at most ", bounds.most));
}

// A value of the gamma frailty with its share of blocks.
struct Frailty {
  double value = 1;
  double share = 1;
};

// The trapezoidal rule in y = log Z converges faster than any power of its step, as the density of
// y and all that is made of exp(−Z H) are analytic around the real line; half the standard
// deviation of y (or 1/4) leaves about 1e-12.
std::vector<Frailty> Frailties(double variance) {
  if (variance == 0) return {Frailty{}};
  constexpr double kLeastLogShare = -37;  // 1e-16
  const double step = std::min(0.25, 0.5 * std::sqrt(variance));
  const auto log_density = [&](double y) { return (y - std::expm1(y)) / variance; };
  std::vector<Frailty> frailties;
  CompensatedSum total;
  for (const double direction : {-1.0, 1.0}) {
    for (int i = direction < 0 ? 1 : 0;; ++i) {
      const double y = direction * i * step;
      if (log_density(y) < kLeastLogShare) break;
      frailties.push_back({.value = std::exp(y), .share = std::exp(log_density(y))});
      total.Add(frailties.back().share);
    }
  }
  for (Frailty& frailty : frailties) frailty.share /= total.value();
  return frailties;
}

// What is expected on the days of the looks; index 0 is the start.
struct Looks {
  explicit Looks(const SurvivalDesign& design)
      : every(LookInterval(design)), loss_rate(LossRate(design)) {
    const double range = design.longest_follow_up - design.shortest_follow_up;
    const auto count = static_cast<std::size_t>(std::floor(design.longest_follow_up / every));
    for (std::size_t look = 0; look <= count; ++look) {
      day.push_back(static_cast<double>(look) * every);
      // No block closes before the last look of the shortest follow-up, roundoff aside.
      const bool all_open = range == 0 || day.back() <= design.shortest_follow_up;
      open.push_back(all_open ? 1 : std::max(0.0, (design.longest_follow_up - day.back()) / range));
      hazard.push_back(std::log(2.0) * std::pow(day.back() / design.control_median, design.shape));
    }
  }

  double AtRisk(std::size_t look) const { return open[look] * std::exp(-loss_rate * day[look]); }

  double every;
  double loss_rate;  // a day
  std::vector<double> day;
  std::vector<double> open;    // share of blocks not closed before the look
  std::vector<double> hazard;  // cumulative, of control in a block of frailty 1
};

// The units of an arm.
struct Arm {
  double ratio;
  double never;

  double NotYet(double hazard, double frailty) const {
    return never + (1 - never) * std::exp(-frailty * ratio * hazard);
  }
  // Over all blocks.
  double MarginalNotYet(double hazard, double variance) const {
    const double exponent =
        variance == 0 ? ratio * hazard : std::log1p(variance * ratio * hazard) / variance;
    return never + (1 - never) * std::exp(-exponent);
  }
};

// An arm's curve, and how a unit sways the estimated restricted mean.
class ArmCourse {
 public:
  ArmCourse(const SurvivalDesign& design, const Looks& looks, Arm arm)
      : looks_(&looks), arm_(arm), not_yet_(looks.day.size()) {
    for (std::size_t look = 0; look < not_yet_.size(); ++look) {
      not_yet_[look] = arm.MarginalNotYet(looks.hazard[look], design.block_variance);
    }
    const auto within = std::lower_bound(looks.day.begin(), looks.day.end(), design.horizon);
    area_.resize(static_cast<std::size_t>(within - looks.day.begin()));
    double end = design.horizon;
    CompensatedSum area;
    for (std::size_t look = area_.size(); look-- > 0;) {
      area.Add(not_yet_[look] * (end - looks.day[look]));
      area_[look] = area.value();
      end = looks.day[look];
    }
  }

  ExpectedArm Expected(const SurvivalDesign& design) const {
    CompensatedSum events;
    for (std::size_t look = 1; look < not_yet_.size(); ++look) {
      events.Add((not_yet_[look - 1] - not_yet_[look]) * looks_->AtRisk(look));
    }
    const auto after = std::upper_bound(looks_->day.begin(), looks_->day.end(), design.horizon);
    const auto last = static_cast<std::size_t>(after - looks_->day.begin()) - 1;
    return {.restricted_mean = area_.front(),
            .reached = 1 - not_yet_[last],
            .events = (1 - design.block_loss_share) * design.units_per_arm * events.value()};
  }

  // Of the influence of a unit: as Greenwood's formula weighs it.
  double Variance() const {
    CompensatedSum variance;
    for (std::size_t look = 1; look < area_.size(); ++look) {
      const double reached = not_yet_[look - 1] - not_yet_[look];
      if (reached <= 0 || not_yet_[look] <= 0) continue;
      variance.Add(area_[look] * area_[look] * reached /
                   (not_yet_[look] * not_yet_[look - 1] * looks_->AtRisk(look)));
    }
    return variance.value();
  }

  // Mean influence of a unit in a block of this frailty that closes before the look after each.
  std::vector<double> MeanInfluence(double frailty) const {
    std::vector<double> influence(area_.size());
    double before = 1;
    for (std::size_t look = 1; look < area_.size(); ++look) {
      const double after = arm_.NotYet(looks_->hazard[look], frailty);
      influence[look] = influence[look - 1];
      if (not_yet_[look] > 0) {
        const double unexpected = before * (not_yet_[look] / not_yet_[look - 1]) - after;
        influence[look] -= area_[look] / (not_yet_[look] * looks_->open[look]) * unexpected;
      }
      before = after;
    }
    return influence;
  }

  // Chance of being seen across at each look, if still at risk then.
  std::vector<double> Chances(double frailty) const {
    std::vector<double> chances;
    double before = 1;
    for (std::size_t look = 1; look < not_yet_.size(); ++look) {
      const double after = arm_.NotYet(looks_->hazard[look], frailty);
      chances.push_back(before > 0 ? 1 - after / before : 0);
      before = after;
    }
    return chances;
  }

 private:
  const Looks* looks_;
  Arm arm_;
  std::vector<double> not_yet_;  // marginal share not seen across by a look
  std::vector<double> area_;     // under it from a look before the horizon to the horizon
};

// Means over blocks of products of what their units expect: of one arm, and of both.
struct InfluenceCovariance {
  double control = 0;
  double treatment = 0;
  double between = 0;
};

InfluenceCovariance Covariance(const Looks& looks, const std::vector<Frailty>& frailties,
                               const ArmCourse& control, const ArmCourse& treatment) {
  CompensatedSum in_control, in_treatment, between;
  for (const Frailty& frailty : frailties) {
    const std::vector<double> g0 = control.MeanInfluence(frailty.value);
    const std::vector<double> g1 = treatment.MeanInfluence(frailty.value);
    for (std::size_t look = 1; look < g0.size(); ++look) {
      const double open_after = look + 1 < g0.size() ? looks.open[look + 1] : 0;
      const double share = frailty.share * (looks.open[look] - open_after);
      in_control.Add(share * g0[look] * g0[look]);
      in_treatment.Add(share * g1[look] * g1[look]);
      between.Add(share * g0[look] * g1[look]);
    }
  }
  return {
      .control = in_control.value(), .treatment = in_treatment.value(), .between = between.value()};
}

BlockLogRank LogRankOfBlock(const SurvivalDesign& design, const Looks& looks,
                            const std::vector<Frailty>& frailties, const ArmCourse& control,
                            const ArmCourse& treatment) {
  std::vector<double> open;
  for (std::size_t look = 1; look < looks.day.size(); ++look) {
    const double before = looks.open[look - 1];
    open.push_back(before > 0 ? looks.open[look] / before : 0);
  }
  const double kept = std::exp(-looks.loss_rate * looks.every);
  CompensatedSum mean, second_moment, information;
  for (const Frailty& frailty : frailties) {
    const std::vector<double> q0 = control.Chances(frailty.value);
    const std::vector<double> q1 = treatment.Chances(frailty.value);
    const BlockLogRank block =
        ExpectBlockLogRank(design.units_per_arm, {.reached = {q0, q1}, .open = open, .kept = kept});
    mean.Add(frailty.share * block.mean);
    second_moment.Add(frailty.share * block.second_moment);
    information.Add(frailty.share * block.information);
  }
  return {.mean = mean.value(),
          .second_moment = second_moment.value(),
          .information = information.value()};
}

}  // namespace

double LookInterval(const SurvivalDesign& design) {
  return design.look_days == 0 ? 1 : design.look_days;
}

double LossRate(const SurvivalDesign& design) {
  return -std::log1p(-design.loss_share) / design.horizon;
}

absl::Status Validate(const SurvivalDesign& design) {
  constexpr double kLeastDays = 1e-6;
  constexpr double kMostDays = 1e6;
  for (const Bounds& bounds : {
           Bounds{"control_median", design.control_median, kLeastDays, kMostDays},
           Bounds{"hazard_ratio", design.hazard_ratio, kLeastHazardRatio, kMostHazardRatio},
           Bounds{"shape", design.shape, 0.1, 20},
           Bounds{"control_never", design.control_never, 0, 1},
           Bounds{"treatment_never", design.treatment_never, 0, 1},
           Bounds{"block_variance", design.block_variance, 0, 4},
           Bounds{"loss_share", design.loss_share, 0, 1, /*excluding_most=*/true},
           Bounds{"block_loss_share", design.block_loss_share, 0, 1, /*excluding_most=*/true},
           Bounds{"units_per_arm", static_cast<double>(design.units_per_arm), 1, kMaxUnitsPerArm},
           Bounds{"longest_follow_up", design.longest_follow_up, kLeastDays, kMostDays},
           Bounds{"shortest_follow_up", design.shortest_follow_up, 0, design.longest_follow_up},
           Bounds{"horizon", design.horizon, kLeastDays, design.longest_follow_up},
           Bounds{"look_days", design.look_days, 0, kMostDays},
       }) {
    if (absl::Status status = Check(bounds); !status.ok()) return status;
  }
  if (design.longest_follow_up / LookInterval(design) < kMaxLooks + 1) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat(
      "look_days is ", design.look_days, " (0 counts as 1): over the longest follow-up of ",
      design.longest_follow_up, " days that makes more than ", kMaxLooks, " looks"));
}

absl::StatusOr<ExpectedDesign> Expect(const SurvivalDesign& design) {
  if (absl::Status status = Validate(design); !status.ok()) return status;
  const Looks looks(design);
  const std::vector<Frailty> frailties = Frailties(design.block_variance);
  const ArmCourse control(design, looks, {.ratio = 1, .never = design.control_never});
  const ArmCourse treatment(design, looks,
                            {.ratio = design.hazard_ratio, .never = design.treatment_never});
  ExpectedDesign expected{.control = control.Expected(design),
                          .treatment = treatment.Expected(design)};
  expected.difference = expected.treatment.restricted_mean - expected.control.restricted_mean;

  const double started = 1 - design.block_loss_share;
  const InfluenceCovariance covariance = Covariance(looks, frailties, control, treatment);
  const double of_units = control.Variance() + treatment.Variance();
  const double of_blocks = covariance.control + covariance.treatment - 2 * covariance.between;
  const double per_unit = of_units - covariance.control - covariance.treatment;
  expected.difference_variance = (per_unit / design.units_per_arm + of_blocks) / started;

  const BlockLogRank block = LogRankOfBlock(design, looks, frailties, control, treatment);
  expected.log_rank_mean = started * block.mean;
  expected.log_rank_variance = std::max(
      0.0, started * block.second_moment - expected.log_rank_mean * expected.log_rank_mean);
  expected.log_rank_information = started * block.information;
  return expected;
}

}  // namespace plumule::stats
