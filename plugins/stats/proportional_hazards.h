#ifndef PLUMULE_PLUGINS_STATS_PROPORTIONAL_HAZARDS_H_
#define PLUMULE_PLUGINS_STATS_PROPORTIONAL_HAZARDS_H_

#include <optional>
#include <vector>

#include "absl/status/statusor.h"
#include "plugins/stats/chi_square_test.h"
#include "plugins/stats/cox.h"
#include "plugins/stats/survival.h"

namespace plumule::stats {

// The scale of time on which a hazard ratio may drift.
enum class TimeScale {
  kKaplanMeier,  // 1 − S(t−) of all units together: events at even steps, few late ones don't rule
  kIdentity,     // days
};

// Test `proportional_hazards`: does the hazard ratio stay the same over time?
struct ProportionalHazards {
  // kConverged, or why Cox's model has no finite fit; then nothing was tested.
  FitStatus fit = FitStatus::kNotEstimable;
  // By arm: its own ratio against `against`, 1 degree of freedom. Absent for `against`, and where
  // events give nothing to tell a drift by (all at one time, say).
  std::vector<std::optional<ChiSquareTest>> arm = {};
  // All arms together, k − 1 degrees of freedom; absent likewise.
  std::optional<ChiSquareTest> global = std::nullopt;
};

// Grambsch & Therneau (1994, Biometrika 81:515) as a score test of a coefficient that drifts with
// g(t): uᵀ(I₂₂ − I₂₁I₁₁⁻¹I₁₂)⁻¹u, where u = Σ g(t)·(Schoenfeld residual) and the I are the sums of
// the covariances in the risk sets weighted with 1, g and g². Efron's ties. As cox.zph(terms =
// FALSE) in R's survival 3. Blocks as `strata` says.
//
// INVALID_ARGUMENT as FitCox(). Data without a finite fit are not an error: see `fit`.
// O(n log n + events · k²).
absl::StatusOr<ProportionalHazards> TestProportionalHazards(const Survival& data, int against,
                                                            Stratification strata, TimeScale scale);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_PROPORTIONAL_HAZARDS_H_
