#include "plugins/stats/restricted_mean.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <span>
#include <tuple>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"
#include "plugins/stats/block_sums.h"
#include "plugins/stats/compensated_sum.h"

namespace plumule::stats {
namespace {

// Number of steps at or before τ.
std::size_t StepsUpTo(const KaplanMeierCurve& curve, double tau) {
  return static_cast<std::size_t>(std::upper_bound(curve.steps.begin(), curve.steps.end(), tau,
                                                   [](double value, const KaplanMeierStep& step) {
                                                     return value < step.time;
                                                   }) -
                                  curve.steps.begin());
}

// Area under the curve from each step up to τ: A(t_j), for the steps at or before τ.
std::vector<double> AreasAfter(const KaplanMeierCurve& curve, double tau) {
  std::vector<double> area(StepsUpTo(curve, tau));
  CompensatedSum total;
  double end = tau;
  for (std::size_t j = area.size(); j-- > 0;) {
    total.Add(curve.steps[j].survival * (end - curve.steps[j].time));
    area[j] = total.value();
    end = curve.steps[j].time;
  }
  return area;
}

// One Greenwood term times `factor`; 0 where everybody at risk had the event.
double GreenwoodTerm(const KaplanMeierStep& step, double factor) {
  if (step.events == step.at_risk) return 0;
  const auto n = static_cast<double>(step.at_risk);
  const auto d = static_cast<double>(step.events);
  return factor * d / (n * (n - d));
}

Interval NormalLimits(double center, double standard_error, double z) {
  return {.lower = center - z * standard_error, .upper = center + z * standard_error};
}

// Influence of units on the restricted mean of their arm, by time and whether it was an event.
class Influence {
 public:
  Influence(const KaplanMeierCurve& curve, double tau)
      : curve_(&curve), area_(AreasAfter(curve, tau)) {
    double compensator = 0;
    for (std::size_t j = 0; j < area_.size(); ++j) {
      compensator += GreenwoodTerm(curve.steps[j], area_[j]);
      compensator_.push_back(compensator);
    }
  }

  double Of(double time, bool event) const {
    const std::size_t steps = std::min(StepsUpTo(*curve_, time), area_.size());
    if (steps == 0) return 0;
    const KaplanMeierStep& step = curve_->steps[steps - 1];
    double influence = compensator_[steps - 1];
    if (event && step.time == time && step.events < step.at_risk) {
      influence -= area_[steps - 1] / static_cast<double>(step.at_risk - step.events);
    }
    return influence;
  }

 private:
  const KaplanMeierCurve* curve_;
  std::vector<double> area_;         // A(t_j)
  std::vector<double> compensator_;  // Σ_{i ≤ j} A(t_i) d_i / (n_i (n_i − d_i))
};

struct BlockErrors {
  double difference = 0;  // standard error
  double log_ratio = 0;   // standard error
};

struct ContrastArms {
  int arm;
  int against;
};

// Rows of the arms in an order that does not depend on how they were given.
std::vector<std::size_t> CanonicalRows(const Survival& data, std::span<const int> arms) {
  std::vector<std::size_t> rows;
  for (std::size_t row = 0; row < data.units(); ++row) {
    if (std::find(arms.begin(), arms.end(), data.ArmOf(row)) != arms.end()) rows.push_back(row);
  }
  const auto key = [&](std::size_t row) {
    return std::tuple(data.time[row], data.event[row], data.ArmOf(row));
  };
  std::sort(rows.begin(), rows.end(),
            [&](std::size_t a, std::size_t b) { return key(a) < key(b); });
  return rows;
}

std::vector<std::int32_t> BlocksOf(const Survival& data, std::span<const std::size_t> rows) {
  std::vector<std::int32_t> blocks;
  blocks.reserve(rows.size());
  for (std::size_t row : rows) blocks.push_back(data.BlockOf(row));
  return blocks;
}

// Influences of the rows on (arm − against) and on log (arm ÷ against): rows × 2.
std::vector<double> ContrastInfluences(const Survival& data, std::span<const std::size_t> rows,
                                       ContrastArms arms,
                                       const std::vector<KaplanMeierCurve>& curves,
                                       const RestrictedMeanContrast& contrast) {
  const double tau = contrast.arm.tau;
  const Influence of_arm(curves[static_cast<std::size_t>(arms.arm)], tau);
  const Influence of_against(curves[static_cast<std::size_t>(arms.against)], tau);
  std::vector<double> influences;
  influences.reserve(rows.size() * 2);
  for (std::size_t row : rows) {
    const bool in_arm = data.ArmOf(row) == arms.arm;
    const double influence =
        (in_arm ? of_arm : of_against).Of(data.time[row], data.event[row] == 1);
    const double mean = in_arm ? contrast.arm.mean : contrast.against.mean;
    const double sign = in_arm ? 1 : -1;
    influences.push_back(sign * influence);
    influences.push_back(mean > 0 ? sign * influence / mean : 0);
  }
  return influences;
}

BlockErrors RobustErrors(std::span<const std::int32_t> blocks, std::span<const double> influences) {
  const std::vector<double> variance = OuterProductSum(BlockSums(blocks, influences, 2), 2);
  return {.difference = std::sqrt(variance[0]), .log_ratio = std::sqrt(variance[3])};
}

BlockErrors IndependentErrors(const RestrictedMeanContrast& contrast) {
  const RestrictedMean& a = contrast.arm;
  const RestrictedMean& b = contrast.against;
  BlockErrors errors{.difference = std::hypot(a.standard_error, b.standard_error)};
  if (a.mean > 0 && b.mean > 0) {
    errors.log_ratio = std::hypot(a.standard_error / a.mean, b.standard_error / b.mean);
  }
  return errors;
}

std::optional<double> PValue(double estimate, double standard_error) {
  if (!(standard_error > 0)) return std::nullopt;
  return TwoSidedNormalP(estimate / standard_error);
}

void Conclude(const BlockErrors& errors, double z, RestrictedMeanContrast& contrast) {
  contrast.difference = contrast.arm.mean - contrast.against.mean;
  contrast.difference_standard_error = errors.difference;
  contrast.difference_limits = NormalLimits(contrast.difference, errors.difference, z);
  contrast.difference_p_value = PValue(contrast.difference, errors.difference);
  if (!(contrast.arm.mean > 0 && contrast.against.mean > 0)) return;
  const double log_ratio = std::log(contrast.arm.mean / contrast.against.mean);
  const Interval log_limits = NormalLimits(log_ratio, errors.log_ratio, z);
  contrast.ratio = RestrictedMeanContrast::Ratio{
      .value = contrast.arm.mean / contrast.against.mean,
      .log_standard_error = errors.log_ratio,
      .limits = {.lower = std::exp(log_limits.lower), .upper = std::exp(log_limits.upper)},
      .p_value = PValue(log_ratio, errors.log_ratio)};
}

}  // namespace

absl::StatusOr<RestrictedMean> RestrictedMeanDays(const KaplanMeierCurve& curve, double tau,
                                                  double confidence) {
  if (absl::Status status = CheckConfidence(confidence); !status.ok()) return status;
  if (absl::Status status = CheckTau(tau); !status.ok()) return status;
  if (curve.steps.empty()) {
    return absl::FailedPreconditionError("the group has no units, so it has no restricted mean");
  }
  const std::vector<double> area = AreasAfter(curve, tau);
  CompensatedSum variance;
  for (std::size_t j = area.size(); j-- > 0;) {
    variance.Add(GreenwoodTerm(curve.steps[j], area[j] * area[j]));
  }
  const KaplanMeierStep& last = curve.steps.back();
  RestrictedMean result{.tau = tau};
  result.mean = area.empty() ? tau : curve.steps.front().time + area.front();
  result.standard_error = std::sqrt(variance.value());
  result.limits =
      NormalLimits(result.mean, result.standard_error, TwoSidedNormalQuantile(confidence));
  result.past_follow_up = tau > last.time && last.survival > 0;
  return result;
}

absl::StatusOr<std::vector<double>> RestrictedMeanScores(std::span<const double> time,
                                                         std::span<const std::uint8_t> event,
                                                         double tau) {
  if (absl::Status status = CheckTau(tau); !status.ok()) return status;
  const auto curve = KaplanMeier(time, event);
  if (!curve.ok()) return curve.status();
  const Influence influence(*curve, tau);
  std::vector<double> scores;
  scores.reserve(time.size());
  for (std::size_t row = 0; row < time.size(); ++row) {
    scores.push_back(static_cast<double>(time.size()) * influence.Of(time[row], event[row] == 1));
  }
  return scores;
}

absl::StatusOr<RestrictedMeanContrast> CompareRestrictedMeans(const Survival& data, int arm,
                                                              int against, double tau,
                                                              ErrorModel errors,
                                                              double confidence) {
  const auto curves = KaplanMeierByArm(data);
  if (!curves.ok()) return curves.status();
  if (absl::Status status = CheckContrast(data, arm, against); !status.ok()) return status;
  const auto of_arm = RestrictedMeanDays((*curves)[static_cast<std::size_t>(arm)], tau, confidence);
  if (!of_arm.ok()) return of_arm.status();
  const auto of_against =
      RestrictedMeanDays((*curves)[static_cast<std::size_t>(against)], tau, confidence);
  if (!of_against.ok()) return of_against.status();

  RestrictedMeanContrast contrast{.arm = *of_arm, .against = *of_against};
  const ContrastArms arms{.arm = arm, .against = against};
  const std::vector<std::size_t> rows = CanonicalRows(data, {{arm, against}});
  const std::vector<std::int32_t> blocks = BlocksOf(data, rows);
  contrast.blocks = CountDistinct(blocks);
  const BlockErrors standard_errors =
      errors == ErrorModel::kIndependent
          ? IndependentErrors(contrast)
          : RobustErrors(blocks, ContrastInfluences(data, rows, arms, *curves, contrast));
  Conclude(standard_errors, TwoSidedNormalQuantile(confidence), contrast);
  return contrast;
}

absl::StatusOr<RestrictedMeanContrasts> CompareRestrictedMeansJointly(
    const Survival& data, std::span<const ArmPair> pairs, double tau) {
  const auto curves = KaplanMeierByArm(data);
  if (!curves.ok()) return curves.status();
  std::vector<int> compared;
  for (const ArmPair& pair : pairs) {
    if (absl::Status status = CheckContrast(data, pair.arm, pair.against); !status.ok()) {
      return status;
    }
    compared.insert(compared.end(), {pair.arm, pair.against});
  }
  std::sort(compared.begin(), compared.end());
  compared.erase(std::unique(compared.begin(), compared.end()), compared.end());
  std::vector<double> mean(static_cast<std::size_t>(data.arms));
  std::vector<std::optional<Influence>> influence_in(mean.size());
  for (const int arm : compared) {
    const auto position = static_cast<std::size_t>(arm);
    const auto of_arm = RestrictedMeanDays((*curves)[position], tau);
    if (!of_arm.ok()) return of_arm.status();
    mean[position] = of_arm->mean;
    influence_in[position].emplace((*curves)[position], tau);
  }

  RestrictedMeanContrasts result;
  for (const ArmPair& pair : pairs) {
    result.difference.push_back(mean[static_cast<std::size_t>(pair.arm)] -
                                mean[static_cast<std::size_t>(pair.against)]);
  }
  if (pairs.empty()) return result;
  const std::vector<std::size_t> rows = CanonicalRows(data, compared);
  std::vector<double> influences(rows.size() * pairs.size());
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const int own = data.ArmOf(rows[i]);
    const double influence = influence_in[static_cast<std::size_t>(own)]->Of(
        data.time[rows[i]], data.event[rows[i]] == 1);
    for (std::size_t j = 0; j < pairs.size(); ++j) {
      influences[i * pairs.size() + j] = own == pairs[j].arm       ? influence
                                         : own == pairs[j].against ? -influence
                                                                   : 0;
    }
  }
  result.covariance =
      OuterProductSum(BlockSums(BlocksOf(data, rows), influences, pairs.size()), pairs.size());
  return result;
}

}  // namespace plumule::stats
