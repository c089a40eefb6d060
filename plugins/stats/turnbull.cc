#include "plugins/stats/turnbull.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"
#include "plugins/stats/innermost_intervals.h"
#include "plugins/stats/mass_likelihood.h"
#include "plugins/stats/share_crossing.h"

namespace plumule::stats {
namespace {

using Rows = std::vector<std::pair<double, double>>;

TurnbullCurve CurveOf(Rows rows, int max_iterations) {
  TurnbullCurve curve{.units = static_cast<std::int64_t>(rows.size())};
  for (const auto& [lower, upper] : rows) {
    curve.last_day = std::max(curve.last_day, std::isfinite(upper) ? upper : lower);
  }
  const InnermostIntervals data = FindInnermostIntervals(std::move(rows));
  const MassMaximum best = MaximizeMass(data, max_iterations);
  curve.log_likelihood = best.log_likelihood;
  curve.iterations = best.iterations;
  curve.imbalance = best.imbalance;
  if (best.imbalance > kMassTolerance) curve.status = TurnbullStatus::kNotConverged;
  for (std::size_t cell = 0; cell < data.cells.size(); ++cell) {
    const double mass = best.reached[cell + 1] - best.reached[cell];
    if (!(mass > 0)) continue;
    curve.masses.push_back({.lower = data.cells[cell].lower,
                            .upper = data.cells[cell].upper,
                            .mass = mass,
                            .reached = best.reached[cell + 1]});
  }
  return curve;
}

absl::Status CheckUnits(const TurnbullCurve& curve) {
  if (curve.units > 0) return absl::OkStatus();
  return absl::FailedPreconditionError("the group has no units, so it has no curve");
}

}  // namespace

absl::StatusOr<std::vector<TurnbullCurve>> TurnbullByArm(const IntervalTimes& data,
                                                         int max_iterations) {
  if (absl::Status status = Validate(data); !status.ok()) return status;
  if (max_iterations < 1) {
    return absl::InvalidArgumentError(
        absl::StrCat("max_iterations is ", max_iterations, "; it must be at least 1"));
  }
  std::vector<Rows> by_arm(static_cast<std::size_t>(data.arms));
  for (std::size_t row = 0; row < data.units(); ++row) {
    by_arm[static_cast<std::size_t>(data.ArmOf(row))].emplace_back(data.lower[row],
                                                                   data.upper[row]);
  }
  std::vector<TurnbullCurve> curves;
  for (Rows& rows : by_arm) curves.push_back(CurveOf(std::move(rows), max_iterations));
  return curves;
}

absl::StatusOr<TurnbullShare> ReachedBy(const TurnbullCurve& curve, double day) {
  if (!std::isfinite(day)) {
    return absl::InvalidArgumentError(absl::StrCat("day is ", day, "; it must be finite"));
  }
  if (absl::Status status = CheckUnits(curve); !status.ok()) return status;
  TurnbullShare found{.day = day};
  for (const TurnbullMass& mass : curve.masses) {
    if (mass.upper <= day) found.share = found.at_most = mass.reached;
    if (mass.lower < day && day < mass.upper) found.at_most = mass.reached;
  }
  found.past_follow_up = day > curve.last_day && found.share < 1;
  return found;
}

absl::StatusOr<std::optional<double>> DaysToQuantile(const TurnbullCurve& curve, double share) {
  if (absl::Status status = CheckShare(share); !status.ok()) return status;
  if (absl::Status status = CheckUnits(curve); !status.ok()) return status;
  ShareCrossing crossing(share);
  for (const TurnbullMass& mass : curve.masses) {
    if (std::isfinite(mass.upper)) crossing.Visit(mass.upper, mass.reached);
  }
  return crossing.Day(curve.last_day);
}

}  // namespace plumule::stats
