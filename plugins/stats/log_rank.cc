#include "plugins/stats/log_rank.h"

#include <string>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "plugins/stats/comparability.h"
#include "plugins/stats/compensated_sum.h"
#include "plugins/stats/risk_sets.h"

namespace plumule::stats {
namespace {

// Adds what one composition says, as often as it occurs.
void AddRiskSet(const RiskSets& sets, std::size_t set, std::vector<CompensatedSum>& expected,
                std::vector<CompensatedSum>& covariance) {
  const std::size_t arms = sets.arms();
  const auto at_risk = sets.at_risk(set);
  const double times = sets.multiplicity(set);
  const auto n = static_cast<double>(Total(at_risk));
  const auto d = static_cast<double>(Total(sets.events(set)));
  for (std::size_t a = 0; a < arms; ++a) expected[a].Add(times * d * at_risk[a] / n);
  if (d == n) return;
  const double scale = times * d * (n - d) / (n * n * (n - 1));
  for (std::size_t a = 0; a < arms; ++a) {
    if (at_risk[a] == 0) continue;
    for (std::size_t b = 0; b < arms; ++b) {
      const double others = a == b ? n - at_risk[a] : -static_cast<double>(at_risk[b]);
      covariance[a * arms + b].Add(scale * at_risk[a] * others);
    }
  }
}

std::vector<double> Values(const std::vector<CompensatedSum>& sums) {
  std::vector<double> values;
  for (const CompensatedSum& sum : sums) values.push_back(sum.value());
  return values;
}

// Words on arms that no event links to the others.
std::string Remark(const Comparability& comparability) {
  if (comparability.degrees_of_freedom() == 0) {
    return "no event happened while units of two arms were at risk and some did not have it, so "
           "the arms cannot be compared";
  }
  std::vector<int> alone;
  const std::vector<int>& linked = comparability.linked();
  for (std::size_t arm = 0; arm < linked.size(); ++arm) {
    bool has_company = false;
    for (std::size_t other = 0; other < linked.size(); ++other) {
      has_company |= other != arm && linked[other] == linked[arm];
    }
    if (!has_company) alone.push_back(static_cast<int>(arm));
  }
  const int groups = static_cast<int>(linked.size()) - comparability.degrees_of_freedom() -
                     static_cast<int>(alone.size());
  std::string remark;
  if (!alone.empty()) {
    remark = absl::StrCat("arm ", absl::StrJoin(alone, ", "),
                          " was never at risk beside another at an event and is left out");
  }
  if (groups > 1) {
    absl::StrAppend(&remark, remark.empty() ? "" : "; ", "the arms fall into ", groups,
                    " groups that are only compared within themselves");
  }
  return remark;
}

}  // namespace

absl::StatusOr<LogRank> TestLogRank(const Survival& data, Stratification strata) {
  if (absl::Status status = Validate(data); !status.ok()) return status;
  const RiskSets sets(data, strata);
  const std::size_t arms = sets.arms();
  LogRank result;
  result.units.resize(arms);
  result.observed.resize(arms);
  for (std::size_t row = 0; row < data.units(); ++row) {
    const auto arm = static_cast<std::size_t>(data.ArmOf(row));
    ++result.units[arm];
    result.observed[arm] += data.event[row];
  }
  std::vector<CompensatedSum> expected(arms), covariance(arms * arms);
  for (std::size_t set = 0; set < sets.size(); ++set) {
    AddRiskSet(sets, set, expected, covariance);
  }
  result.expected = Values(expected);
  result.covariance = Values(covariance);

  // With exact ties "beats" means exactly that an event compared two arms.
  const Comparability comparability(sets, Ties::kExact);
  std::vector<double> excess(arms);
  for (std::size_t arm = 0; arm < arms; ++arm) {
    excess[arm] = static_cast<double>(result.observed[arm]) - result.expected[arm];
  }
  const GroupedInverse inverse =
      InvertWithinGroups(result.covariance, comparability.linked(), /*reference=*/-1);
  result.test = ReferToChiSquare(inverse.QuadraticForm(excess), comparability.degrees_of_freedom());
  result.informative_strata = sets.strata_with_choice();
  result.remark = Remark(comparability);
  return result;
}

}  // namespace plumule::stats
