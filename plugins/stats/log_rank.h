#ifndef PLUMULE_PLUGINS_STATS_LOG_RANK_H_
#define PLUMULE_PLUGINS_STATS_LOG_RANK_H_

#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "plugins/stats/chi_square_test.h"
#include "plugins/stats/survival.h"

namespace plumule::stats {

enum class Stratification {
  kNone,     // one risk set for everybody; blocks are ignored
  kByBlock,  // each block is compared within itself
};

// Tests `log_rank` and `log_rank_stratified_by_block`. Index = arm, k = data.arms.
struct LogRank {
  std::vector<std::int64_t> units = {};
  std::vector<std::int64_t> observed = {};  // events
  std::vector<double> expected = {};        // events expected if the arms did not differ
  std::vector<double> covariance = {};      // k × k, row-major, of observed − expected
  ChiSquareTest test = {};
  // Strata (blocks, or 1) with at least one event at which arms could be compared.
  std::int64_t informative_strata = 0;
  // Empty, or words on what could not be compared and why.
  std::string remark = {};
};

// Mantel (1966, Cancer Chemother Rep 50:163) with the hypergeometric covariance, ties included, for
// any number of arms (Peto & Peto 1972); summed over strata. As survdiff(… + strata(block)), ρ = 0.
//
// Only events at which at least two arms are at risk, and not everybody at risk has the event, say
// anything. Arms linked by such events, directly or through other arms, form a group; each group of
// m arms gives m − 1 degrees of freedom. So an arm without units (or never at risk beside another
// at an event) is left out and the degrees of freedom fall by one; no comparison at all leaves 0
// degrees of freedom, statistic 0 and no p-value, and `remark` says so.
//
// Errors as Validate(). O(n log n + c k³), c = distinct risk-set compositions ≤ events.
absl::StatusOr<LogRank> TestLogRank(const Survival& data, Stratification strata);

// Tarone's test of a trend over ordered arms (1975, Biometrika 62:679): (Σ w (O − E))² / wᵀVw on
// one degree of freedom, with a score w an arm; only their spacing matters. Ties and strata as in
// `log_rank`. Test `trend`. No degrees of freedom where the scores don't tell compared arms apart.
//
// INVALID_ARGUMENT unless there is one finite score an arm. O(k²).
absl::StatusOr<ChiSquareTest> TestTrend(const LogRank& log_rank, std::span<const double> scores);

// Test `peto_peto`: each event counts with the share of all units not yet there just before it, the
// left-continuous pooled Kaplan–Meier estimate, so that early differences count more (Peto & Peto
// 1972, JRSS A 135:185; Harrington & Fleming 1982, Biometrika 69:553, ρ = 1). As survdiff(rho = 1).
struct WeightedLogRank {
  std::vector<double> observed = {};    // by arm: sum of the weights of its events
  std::vector<double> expected = {};    // the same if the arms did not differ
  std::vector<double> covariance = {};  // k × k, row-major, of observed − expected
  ChiSquareTest test = {};              // degrees of freedom as in LogRank
};

// Blocks are ignored. Errors as Validate(). O(n log n + c k²), c = distinct event times.
absl::StatusOr<WeightedLogRank> TestPetoPeto(const Survival& data);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_LOG_RANK_H_
