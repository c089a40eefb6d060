#ifndef PLUMULE_PLUGINS_STATS_ARGUMENTS_H_
#define PLUMULE_PLUGINS_STATS_ARGUMENTS_H_

#include <cstddef>
#include <cstdint>

#include "absl/status/status.h"
#include "plugins/stats/survival.h"

namespace plumule::stats {

// Checks shared by the functions of this library: OK or INVALID_ARGUMENT naming the argument. O(1).

absl::Status CheckConfidence(double confidence);  // inside (0, 1)
absl::Status CheckAlpha(double alpha);            // inside (0, 1)
absl::Status CheckShare(double share);            // inside (0, 1)
// `array` has a row for each of the `units` times.
absl::Status CheckLength(const char* array, std::size_t length, std::size_t units);
absl::Status CheckTime(std::size_t row, double time);  // finite and not negative
// 0 ≤ successes ≤ trials and trials ≥ 1; `group` names whose they are, e.g. "arm ".
absl::Status CheckTrials(std::int64_t successes, std::int64_t trials, const char* group = "");
absl::Status CheckArm(const Survival& data, int arm, const char* name);
// Two different arms of `data`.
absl::Status CheckTau(double tau);  // of a restricted mean: finite and above 0
absl::Status CheckContrast(const Survival& data, int arm, int against);

// Standard normal quantile z with P(|Z| ≤ z) = confidence, which must be inside (0, 1).
double TwoSidedNormalQuantile(double confidence);

// P(|Z| ≥ |z|).
double TwoSidedNormalP(double z);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_ARGUMENTS_H_
