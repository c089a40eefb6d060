#ifndef PLUMULE_PLUGINS_STATS_LOG_RANK_H_
#define PLUMULE_PLUGINS_STATS_LOG_RANK_H_

#include <cstdint>
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

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_LOG_RANK_H_
