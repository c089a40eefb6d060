#ifndef PLUMULE_PLUGINS_STATS_COX_LIKELIHOOD_H_
#define PLUMULE_PLUGINS_STATS_COX_LIKELIHOOD_H_

#include <span>
#include <vector>

#include "plugins/stats/cox.h"
#include "plugins/stats/risk_sets.h"

namespace plumule::stats {

// Log partial likelihood and its derivatives in the log hazards β of all arms (one of which is
// redundant: adding a constant to β changes nothing).
struct CoxLikelihood {
  double value = 0;
  std::vector<double> gradient = {};     // k
  std::vector<double> information = {};  // k × k, row-major: minus the second derivatives
};

// Any finite β, one an arm. Cost as stated at FitCox(). kExact counts the ways in which the events
// could have fallen on the units at risk, so its value is that of R's coxph with ties = "exact".
CoxLikelihood EvaluateCox(const RiskSets& sets, std::span<const double> beta, Ties ties);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_COX_LIKELIHOOD_H_
