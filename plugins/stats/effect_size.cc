#include "plugins/stats/effect_size.h"

#include <cmath>

#include "plugins/stats/arguments.h"

namespace plumule::stats {
namespace {

// Cells of the table, after one half was added to each where any was 0.
struct Cells {
  double a, b;  // arm: successes, failures
  double c, d;  // against
};

absl::StatusOr<Cells> CellsOf(const TwoProportions& table) {
  if (auto status = CheckTrials(table.arm_successes, table.arm_trials, "arm "); !status.ok()) {
    return status;
  }
  if (auto status = CheckTrials(table.against_successes, table.against_trials, "against ");
      !status.ok()) {
    return status;
  }
  Cells cells{.a = static_cast<double>(table.arm_successes),
              .b = static_cast<double>(table.arm_trials - table.arm_successes),
              .c = static_cast<double>(table.against_successes),
              .d = static_cast<double>(table.against_trials - table.against_successes)};
  if (cells.a == 0 || cells.b == 0 || cells.c == 0 || cells.d == 0) {
    for (double* cell : {&cells.a, &cells.b, &cells.c, &cells.d}) *cell += 0.5;
  }
  return cells;
}

}  // namespace

absl::StatusOr<Effect> LogRiskRatio(const TwoProportions& table) {
  const auto cells = CellsOf(table);
  if (!cells.ok()) return cells.status();
  const auto [a, b, c, d] = *cells;
  // 1/a − 1/(a + b) without the cancellation.
  return Effect{.estimate = std::log(a / (a + b)) - std::log(c / (c + d)),
                .variance = b / (a * (a + b)) + d / (c * (c + d))};
}

absl::StatusOr<Effect> LogOddsRatio(const TwoProportions& table) {
  const auto cells = CellsOf(table);
  if (!cells.ok()) return cells.status();
  const auto [a, b, c, d] = *cells;
  return Effect{.estimate = std::log(a) - std::log(b) - std::log(c) + std::log(d),
                .variance = 1 / a + 1 / b + 1 / c + 1 / d};
}

absl::StatusOr<Effect> RiskDifference(const TwoProportions& table) {
  const auto cells = CellsOf(table);
  if (!cells.ok()) return cells.status();
  const auto [a, b, c, d] = *cells;
  const double n1 = a + b;
  const double n2 = c + d;
  return Effect{.estimate = a / n1 - c / n2,
                .variance = a / n1 * (b / n1) / n1 + c / n2 * (d / n2) / n2};
}

}  // namespace plumule::stats
