#ifndef PLUMULE_PLUGINS_STATS_RISK_SETS_H_
#define PLUMULE_PLUGINS_STATS_RISK_SETS_H_

#include <cstdint>
#include <span>
#include <vector>

#include "plugins/stats/log_rank.h"
#include "plugins/stats/survival.h"

namespace plumule::stats {

// What the log-rank test and Cox's model with arm indicators need of the data: for every event time
// of every stratum, how many units of each arm were at risk and how many of them had the event.
// Equal compositions are kept once, with how often they occur, in lexicographic order. So the
// contents depend neither on the order of rows nor on the labels of blocks, and studies with many
// small blocks shrink to a handful of compositions. 8 · arms + 8 bytes each.
class RiskSets {
 public:
  enum class Times {
    kForget,  // like compositions of any times are one
    kKeep,    // like compositions of one time are one; they come by ascending time
  };

  // `data` must have passed Validate(). O(n log n).
  RiskSets(const Survival& data, Stratification strata, Times times = Times::kForget);

  std::size_t size() const { return multiplicity_.size(); }
  std::size_t arms() const { return arms_; }
  std::span<const std::int32_t> at_risk(std::size_t set) const { return Counts(set, 0); }
  std::span<const std::int32_t> events(std::size_t set) const { return Counts(set, arms_); }
  double multiplicity(std::size_t set) const { return static_cast<double>(multiplicity_[set]); }
  // Days; with Times::kKeep only.
  double time(std::size_t set) const { return times_[set]; }

  // The same events with everybody compared only with arms of the same group: each risk set falls
  // apart into one for each group that had an event in it. `group` has one label an arm. Times are
  // forgotten.
  RiskSets Within(std::span<const int> group) const;

  std::int64_t strata() const { return strata_; }
  // Strata with an event at which two arms were at risk …
  std::int64_t strata_with_company() const { return strata_with_company_; }
  // … and not everybody at risk had the event.
  std::int64_t strata_with_choice() const { return strata_with_choice_; }

 private:
  explicit RiskSets(std::size_t arms) : arms_(arms) {}

  // At risk by arm, then events by arm.
  std::span<const std::int32_t> Composition(std::size_t set) const {
    return std::span(counts_).subspan(set * 2 * arms_, 2 * arms_);
  }
  std::span<const std::int32_t> Counts(std::size_t set, std::size_t from) const {
    return Composition(set).subspan(from, arms_);
  }
  void Append(std::span<const std::int32_t> at_risk, std::span<const std::int32_t> events,
              std::int64_t multiplicity);
  void SortAndMerge();
  int CompareSets(std::size_t a, std::size_t b) const;

  std::size_t arms_;
  std::vector<std::int32_t> counts_;  // a set: at risk by arm, then events by arm
  std::vector<std::int64_t> multiplicity_;
  std::vector<double> times_;  // empty unless kept
  std::int64_t strata_ = 0;
  std::int64_t strata_with_company_ = 0;
  std::int64_t strata_with_choice_ = 0;
};

// Facts about one composition.
int ArmsAtRisk(std::span<const std::int32_t> at_risk);
std::int64_t Total(std::span<const std::int32_t> counts);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_RISK_SETS_H_
