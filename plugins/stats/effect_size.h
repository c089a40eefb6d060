#ifndef PLUMULE_PLUGINS_STATS_EFFECT_SIZE_H_
#define PLUMULE_PLUGINS_STATS_EFFECT_SIZE_H_

#include "absl/status/statusor.h"
#include "plugins/stats/proportion_difference.h"

namespace plumule::stats {

// One study's estimate and its sampling variance (both on the scale on which studies are pooled;
// for ratios the natural logarithm).
struct Effect {
  double estimate = 0;
  double variance = 0;
};

// From one study's 2×2 table, arm against `against`. Where any of the four cells is 0, one half is
// added to all four cells of that table, and only of that table, for estimate and variance alike:
// the default of escalc in R's metafor (add = 1/2, to = "only0"). A study without any event, or
// with nothing but events, in both arms is kept that way too. Formulas: Fleiss & Berlin 2009, in
// The Handbook of Research Synthesis and Meta-Analysis, ch. 13. INVALID_ARGUMENT unless 0 ≤
// successes ≤ trials and trials ≥ 1 in each group. O(1).

// log (a/n₁ ÷ c/n₂); variance 1/a − 1/n₁ + 1/c − 1/n₂. Measure `log_risk_ratio`.
absl::StatusOr<Effect> LogRiskRatio(const TwoProportions& table);

// log (ad ÷ bc); variance 1/a + 1/b + 1/c + 1/d. Measure `log_odds_ratio`.
absl::StatusOr<Effect> LogOddsRatio(const TwoProportions& table);

// a/n₁ − c/n₂; variance ab/n₁³ + cd/n₂³. Measure `risk_difference`.
absl::StatusOr<Effect> RiskDifference(const TwoProportions& table);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_EFFECT_SIZE_H_
