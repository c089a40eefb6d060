#include "plugins/stats/log_rank.h"

#include <algorithm>
#include <cmath>
#include <string>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "plugins/stats/comparability.h"
#include "plugins/stats/compensated_sum.h"
#include "plugins/stats/risk_sets.h"

namespace plumule::stats {
namespace {

// Expected events and their covariance, by arm.
struct Sums {
  explicit Sums(std::size_t arms) : expected(arms), covariance(arms * arms) {}

  // Adds what one composition says, as often as it occurs, each event counting `weight`.
  void Add(const RiskSets& sets, std::size_t set, double weight) {
    const std::size_t arms = sets.arms();
    const auto at_risk = sets.at_risk(set);
    const double times = sets.multiplicity(set);
    const auto n = static_cast<double>(Total(at_risk));
    const auto d = static_cast<double>(Total(sets.events(set)));
    for (std::size_t a = 0; a < arms; ++a) expected[a].Add(weight * times * d * at_risk[a] / n);
    if (d == n) return;
    const double scale = weight * weight * times * d * (n - d) / (n * n * (n - 1));
    for (std::size_t a = 0; a < arms; ++a) {
      if (at_risk[a] == 0) continue;
      for (std::size_t b = 0; b < arms; ++b) {
        const double others = a == b ? n - at_risk[a] : -static_cast<double>(at_risk[b]);
        covariance[a * arms + b].Add(scale * at_risk[a] * others);
      }
    }
  }

  std::vector<CompensatedSum> expected;
  std::vector<CompensatedSum> covariance;
};

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
  Sums sums(arms);
  for (std::size_t set = 0; set < sets.size(); ++set) sums.Add(sets, set, 1);
  result.expected = Values(sums.expected);
  result.covariance = Values(sums.covariance);

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

absl::StatusOr<ChiSquareTest> TestTrend(const LogRank& log_rank, std::span<const double> scores) {
  const std::size_t arms = log_rank.expected.size();
  if (scores.size() != arms) {
    return absl::InvalidArgumentError(
        absl::StrCat("there are ", scores.size(), " scores for ", arms, " arms"));
  }
  for (std::size_t arm = 0; arm < arms; ++arm) {
    if (std::isfinite(scores[arm])) continue;
    return absl::InvalidArgumentError(
        absl::StrCat("the score of arm ", arm, " is ", scores[arm], "; it must be finite"));
  }
  // Counted from the smallest and in units of the range: huge or far away scores lose no digits.
  const auto [least, most] = std::minmax_element(scores.begin(), scores.end());
  if (arms == 0 || *least == *most) return ReferToChiSquare(0, 0);
  std::vector<double> weight;
  for (const double score : scores) weight.push_back((score - *least) / (*most - *least));
  CompensatedSum excess, variance, scale;
  for (std::size_t a = 0; a < arms; ++a) {
    excess.Add(weight[a] * static_cast<double>(log_rank.observed[a]));
    excess.Add(-weight[a] * log_rank.expected[a]);
    scale.Add(log_rank.covariance[a * arms + a]);
    for (std::size_t b = 0; b < arms; ++b) {
      variance.Add(weight[a] * weight[b] * log_rank.covariance[a * arms + b]);
    }
  }
  if (variance.value() <= 1e-12 * scale.value()) return ReferToChiSquare(0, 0);
  return ReferToChiSquare(excess.value() * excess.value() / variance.value(), 1);
}

absl::StatusOr<WeightedLogRank> TestPetoPeto(const Survival& data) {
  if (absl::Status status = Validate(data); !status.ok()) return status;
  const RiskSets sets(data, Stratification::kNone, RiskSets::Times::kKeep);
  const std::size_t arms = sets.arms();
  Sums sums(arms);
  std::vector<CompensatedSum> observed(arms);
  double not_yet = 1;
  for (std::size_t set = 0; set < sets.size(); ++set) {
    sums.Add(sets, set, not_yet);
    for (std::size_t arm = 0; arm < arms; ++arm) observed[arm].Add(not_yet * sets.events(set)[arm]);
    const auto n = static_cast<double>(Total(sets.at_risk(set)));
    not_yet *= (n - static_cast<double>(Total(sets.events(set)))) / n;
  }
  WeightedLogRank result{.observed = Values(observed),
                         .expected = Values(sums.expected),
                         .covariance = Values(sums.covariance)};
  std::vector<double> excess(arms);
  for (std::size_t arm = 0; arm < arms; ++arm) {
    excess[arm] = result.observed[arm] - result.expected[arm];
  }
  const Comparability comparability(sets, Ties::kExact);
  const GroupedInverse inverse =
      InvertWithinGroups(result.covariance, comparability.linked(), /*reference=*/-1);
  result.test = ReferToChiSquare(inverse.QuadraticForm(excess), comparability.degrees_of_freedom());
  return result;
}

}  // namespace plumule::stats
