#ifndef PLUMULE_PLUGINS_STATS_COMPARABILITY_H_
#define PLUMULE_PLUGINS_STATS_COMPARABILITY_H_

#include <span>
#include <vector>

#include "plugins/stats/cox.h"
#include "plugins/stats/risk_sets.h"

namespace plumule::stats {

// Which arms the data compare, and which way. Arm a beats arm b when a unit of a had the event
// while a unit of b was at risk and, with exact ties, did not have it then too.
class Comparability {
 public:
  // O(sets · k² + k³).
  Comparability(const RiskSets& sets, Ties ties);

  std::size_t arms() const { return arms_; }
  // A chain of arms leads from `a` to `b`, each beating the next. Every arm reaches itself.
  bool Reaches(std::size_t a, std::size_t b) const { return reaches_[a * arms_ + b]; }
  // Same label: compared, directly or through others, whoever beats whom.
  const std::vector<int>& linked() const { return linked_; }
  // Same label: each reaches the other, so their log hazard ratio is finite.
  const std::vector<int>& finite() const { return finite_; }
  // Arms minus groups of linked arms.
  int degrees_of_freedom() const;

 private:
  std::size_t arms_;
  std::vector<bool> reaches_;
  std::vector<int> linked_;  // label = first arm of the group
  std::vector<int> finite_;
};

// vᵀ M⁻ v and the inverse of M, where M (k × k, row-major) is the covariance or information of arms
// and is singular by one for each group: the first arm of each group (or `reference` in its own) is
// left out. Rows and columns left out are 0 in the inverse.
struct GroupedInverse {
  std::vector<double> inverse = {};  // k × k, row-major
  double QuadraticForm(std::span<const double> v) const;
};
GroupedInverse InvertWithinGroups(std::span<const double> matrix, std::span<const int> group,
                                  int reference);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_COMPARABILITY_H_
