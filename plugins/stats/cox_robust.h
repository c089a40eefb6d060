#ifndef PLUMULE_PLUGINS_STATS_COX_ROBUST_H_
#define PLUMULE_PLUGINS_STATS_COX_ROBUST_H_

#include <span>
#include <vector>

#include "plugins/stats/cox.h"
#include "plugins/stats/survival.h"

namespace plumule::stats {

// Σ over blocks of s sᵀ, s being the sum of the score residuals of the block's units, without
// strata (Lin & Wei 1989, JASA 84:1074; for Efron's ties, the average over the order of tied
// events that the score itself uses, as coxph in R). k × k, row-major, in the log hazards of all
// arms. `data` valid, β finite, `ties` kEfron or kBreslow. O(n log n + events · k).
std::vector<double> BlockScoreProducts(const Survival& data, std::span<const double> beta,
                                       Ties ties);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_COX_ROBUST_H_
