#include "plugins/stats/proportional_hazards.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <vector>

#include "plugins/stats/kaplan_meier.h"
#include "plugins/stats/risk_sets.h"

namespace plumule::stats {
namespace {

// g(t) of each risk set, in their order, which is by time.
absl::StatusOr<std::vector<double>> Drift(const Survival& data, const RiskSets& sets,
                                          TimeScale scale) {
  std::vector<double> drift(sets.size());
  if (scale == TimeScale::kIdentity) {
    for (std::size_t set = 0; set < sets.size(); ++set) drift[set] = sets.time(set);
    return drift;
  }
  const auto curve = KaplanMeier(data.time, data.event);
  if (!curve.ok()) return curve.status();
  std::size_t step = 0;
  double survival = 1;
  for (std::size_t set = 0; set < sets.size(); ++set) {
    for (; step < curve->steps.size() && curve->steps[step].time < sets.time(set); ++step) {
      survival = curve->steps[step].survival;
    }
    drift[set] = 1 - survival;
  }
  return drift;
}

// Takes the mean over events away and scales to at most 1: the test does not change, its digits do.
void Center(const RiskSets& sets, std::vector<double>& drift) {
  double events = 0;
  double sum = 0;
  for (std::size_t set = 0; set < drift.size(); ++set) {
    const double times = sets.multiplicity(set) * static_cast<double>(Total(sets.events(set)));
    events += times;
    sum += times * drift[set];
  }
  double largest = 0;
  for (double& g : drift) {
    g -= sum / events;
    largest = std::max(largest, std::abs(g));
  }
  if (largest > 0) {
    for (double& g : drift) g /= largest;
  }
}

// The sums of the score test, over all arms; `against` is left out by the reader.
struct ScoreSums {
  explicit ScoreSums(Eigen::Index arms)
      : drift_score(Eigen::VectorXd::Zero(arms)),
        plain(Eigen::MatrixXd::Zero(arms, arms)),
        mixed(plain),
        drifted(plain) {}

  void Add(const RiskSets& sets, std::size_t set, const Eigen::VectorXd& ratio, double g) {
    const double times = sets.multiplicity(set);
    const auto tied = static_cast<double>(Total(sets.events(set)));
    Eigen::VectorXd at_risk(ratio.size());
    Eigen::VectorXd events(ratio.size());
    for (Eigen::Index arm = 0; arm < ratio.size(); ++arm) {
      at_risk[arm] = sets.at_risk(set)[static_cast<std::size_t>(arm)];
      events[arm] = sets.events(set)[static_cast<std::size_t>(arm)];
    }
    drift_score += times * g * events;
    for (double drawn = 0; drawn < tied; ++drawn) {
      Eigen::VectorXd share = (at_risk - drawn / tied * events).cwiseProduct(ratio);
      share /= share.sum();
      drift_score -= times * g * share;
      Eigen::MatrixXd covariance = share.asDiagonal();
      covariance -= share * share.transpose();
      plain += times * covariance;
      mixed += times * g * covariance;
      drifted += times * g * g * covariance;
    }
  }

  Eigen::VectorXd drift_score;
  Eigen::MatrixXd plain;
  Eigen::MatrixXd mixed;
  Eigen::MatrixXd drifted;
};

// uᵀ(I₂₂ − I₂₁I₁₁⁻¹I₁₂)⁻¹u for the drifts `which` (positions among the kept arms).
std::optional<ChiSquareTest> ScoreTest(const Eigen::VectorXd& score, const Eigen::MatrixXd& plain,
                                       const Eigen::MatrixXd& mixed, const Eigen::MatrixXd& drifted,
                                       const std::vector<Eigen::Index>& which) {
  const Eigen::LDLT<Eigen::MatrixXd> inverse(plain);
  const Eigen::MatrixXd adjusted = drifted - mixed.transpose() * inverse.solve(mixed);
  const Eigen::MatrixXd information = adjusted(which, which);
  const Eigen::MatrixXd reference = drifted(which, which);
  const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> values(information);
  if (values.eigenvalues().minCoeff() <= 1e-10 * reference.diagonal().maxCoeff()) {
    return std::nullopt;
  }
  const Eigen::VectorXd u = score(which);
  const double statistic = u.dot(information.ldlt().solve(u));
  return ReferToChiSquare(std::max(0.0, statistic), static_cast<int>(which.size()));
}

}  // namespace

absl::StatusOr<ProportionalHazards> TestProportionalHazards(const Survival& data, int against,
                                                            Stratification strata,
                                                            TimeScale scale) {
  const auto fit = FitCox(data, against, {.ties = Ties::kEfron, .strata = strata});
  if (!fit.ok()) return fit.status();
  ProportionalHazards result{.fit = fit->status};
  result.arm.resize(static_cast<std::size_t>(data.arms));
  if (fit->status != FitStatus::kConverged) return result;

  const RiskSets sets(data, strata, RiskSets::Times::kKeep);
  auto drift = Drift(data, sets, scale);
  if (!drift.ok()) return drift.status();
  Center(sets, *drift);
  Eigen::VectorXd ratio(data.arms);
  std::vector<Eigen::Index> kept;
  for (int arm = 0; arm < data.arms; ++arm) {
    ratio[arm] = std::exp(fit->coefficient[static_cast<std::size_t>(arm)]);
    if (arm != against) kept.push_back(arm);
  }
  ScoreSums sums(data.arms);
  for (std::size_t set = 0; set < sets.size(); ++set) sums.Add(sets, set, ratio, (*drift)[set]);

  const Eigen::VectorXd score = sums.drift_score(kept);
  const Eigen::MatrixXd plain = sums.plain(kept, kept);
  const Eigen::MatrixXd mixed = sums.mixed(kept, kept);
  const Eigen::MatrixXd drifted = sums.drifted(kept, kept);
  std::vector<Eigen::Index> all;
  for (std::size_t position = 0; position < kept.size(); ++position) {
    const auto index = static_cast<Eigen::Index>(position);
    all.push_back(index);
    result.arm[static_cast<std::size_t>(kept[position])] =
        ScoreTest(score, plain, mixed, drifted, {index});
  }
  result.global = ScoreTest(score, plain, mixed, drifted, all);
  return result;
}

}  // namespace plumule::stats
