#include "plugins/stats/risk_sets.h"

#include <algorithm>
#include <numeric>
#include <tuple>

namespace plumule::stats {
namespace {

// 16 bytes, so that sorting a million units stays in cache.
struct Row {
  double time;
  std::int32_t stratum;
  std::int32_t arm_and_event;  // 2 · arm + event
};

// By stratum; within it from the last time to the first, as risk sets grow that way.
std::vector<Row> SortedRows(const Survival& data, Stratification strata) {
  std::vector<Row> rows;
  rows.reserve(data.units());
  for (std::size_t row = 0; row < data.units(); ++row) {
    rows.push_back({.time = data.time[row],
                    .stratum = strata == Stratification::kByBlock ? data.BlockOf(row) : 0,
                    .arm_and_event = 2 * data.ArmOf(row) + data.event[row]});
  }
  std::sort(rows.begin(), rows.end(), [](const Row& a, const Row& b) {
    return std::tie(a.stratum, b.time) < std::tie(b.stratum, a.time);
  });
  return rows;
}

}  // namespace

int ArmsAtRisk(std::span<const std::int32_t> at_risk) {
  return static_cast<int>(
      std::count_if(at_risk.begin(), at_risk.end(), [](std::int32_t n) { return n > 0; }));
}

std::int64_t Total(std::span<const std::int32_t> counts) {
  return std::accumulate(counts.begin(), counts.end(), std::int64_t{0});
}

RiskSets::RiskSets(const Survival& data, Stratification strata, Times times)
    : arms_(static_cast<std::size_t>(data.arms)) {
  const std::vector<Row> rows = SortedRows(data, strata);
  std::vector<std::int32_t> at_risk(arms_), events(arms_);
  for (std::size_t row = 0; row < rows.size(); ++strata_) {
    const std::int32_t stratum = rows[row].stratum;
    bool company = false, choice = false;
    std::fill(at_risk.begin(), at_risk.end(), 0);
    while (row < rows.size() && rows[row].stratum == stratum) {
      std::fill(events.begin(), events.end(), 0);
      const double time = rows[row].time;
      for (; row < rows.size() && rows[row].stratum == stratum && rows[row].time == time; ++row) {
        const auto arm = static_cast<std::size_t>(rows[row].arm_and_event / 2);
        ++at_risk[arm];
        events[arm] += rows[row].arm_and_event % 2;
      }
      const std::int64_t had_event = Total(events);
      if (had_event == 0) continue;
      Append(at_risk, events, 1);
      if (times == Times::kKeep) times_.push_back(time);
      const bool several = ArmsAtRisk(at_risk) > 1;
      company |= several;
      choice |= several && had_event < Total(at_risk);
    }
    strata_with_company_ += company;
    strata_with_choice_ += choice;
  }
  SortAndMerge();
}

RiskSets RiskSets::Within(std::span<const int> group) const {
  RiskSets split(arms_);
  split.strata_ = strata_;
  split.strata_with_company_ = strata_with_company_;
  split.strata_with_choice_ = strata_with_choice_;
  std::vector<int> groups(group.begin(), group.end());
  std::sort(groups.begin(), groups.end());
  groups.erase(std::unique(groups.begin(), groups.end()), groups.end());
  std::vector<std::int32_t> n(arms_), d(arms_);
  for (std::size_t set = 0; set < size(); ++set) {
    for (int wanted : groups) {
      for (std::size_t arm = 0; arm < arms_; ++arm) {
        n[arm] = group[arm] == wanted ? at_risk(set)[arm] : 0;
        d[arm] = group[arm] == wanted ? events(set)[arm] : 0;
      }
      if (Total(d) > 0) split.Append(n, d, multiplicity_[set]);
    }
  }
  split.SortAndMerge();
  return split;
}

void RiskSets::Append(std::span<const std::int32_t> at_risk, std::span<const std::int32_t> events,
                      std::int64_t multiplicity) {
  counts_.insert(counts_.end(), at_risk.begin(), at_risk.end());
  counts_.insert(counts_.end(), events.begin(), events.end());
  multiplicity_.push_back(multiplicity);
}

int RiskSets::CompareSets(std::size_t a, std::size_t b) const {
  if (!times_.empty() && times_[a] != times_[b]) return times_[a] < times_[b] ? -1 : 1;
  const auto first = Composition(a);
  const auto second = Composition(b);
  const auto order = std::lexicographical_compare_three_way(first.begin(), first.end(),
                                                            second.begin(), second.end());
  return order < 0 ? -1 : (order > 0 ? 1 : 0);
}

void RiskSets::SortAndMerge() {
  std::vector<std::size_t> order(size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  const auto before = [&](std::size_t a, std::size_t b) { return CompareSets(a, b) < 0; };
  // One stratum comes sorted: its risk sets only grow.
  if (!std::is_sorted(order.begin(), order.end(), before)) {
    std::sort(order.begin(), order.end(), before);
  }
  std::vector<std::int32_t> counts;
  std::vector<std::int64_t> multiplicity;
  std::vector<double> times;
  for (std::size_t i = 0; i < order.size(); ++i) {
    if (i > 0 && CompareSets(order[i], order[i - 1]) == 0) {
      multiplicity.back() += multiplicity_[order[i]];
      continue;
    }
    const auto composition = Composition(order[i]);
    counts.insert(counts.end(), composition.begin(), composition.end());
    multiplicity.push_back(multiplicity_[order[i]]);
    if (!times_.empty()) times.push_back(times_[order[i]]);
  }
  counts_ = std::move(counts);
  multiplicity_ = std::move(multiplicity);
  times_ = std::move(times);
}

}  // namespace plumule::stats
