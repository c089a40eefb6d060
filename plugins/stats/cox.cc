#include "plugins/stats/cox.h"

#include <Eigen/Core>
#include <Eigen/LU>
#include <algorithm>
#include <boost/math/distributions/chi_squared.hpp>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>
#include <utility>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"
#include "plugins/stats/block_sums.h"
#include "plugins/stats/comparability.h"
#include "plugins/stats/cox_likelihood.h"
#include "plugins/stats/cox_robust.h"
#include "plugins/stats/risk_sets.h"

namespace plumule::stats {
namespace {

using Matrix = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;

absl::Status CheckOptions(const Survival& data, int against, const CoxOptions& options) {
  if (absl::Status status = Validate(data); !status.ok()) return status;
  if (absl::Status status = CheckArm(data, against, "against"); !status.ok()) return status;
  if (absl::Status status = CheckConfidence(options.confidence); !status.ok()) return status;
  if (options.max_iterations < 1) {
    return absl::InvalidArgumentError(
        absl::StrCat("max_iterations is ", options.max_iterations, "; it must be at least 1"));
  }
  if (options.cluster_robust &&
      (options.ties == Ties::kExact || options.strata != Stratification::kNone)) {
    return absl::InvalidArgumentError(
        "cluster_robust errors need Efron or Breslow ties and no strata");
  }
  return absl::OkStatus();
}

struct Maximum {
  std::vector<double> beta;  // one an arm; 0 for the references
  CoxLikelihood likelihood = {};
  GroupedInverse inverse = {};
  int iterations = 0;
  bool converged = false;
};

std::vector<double> NewtonStep(const Maximum& at) {
  const auto k = static_cast<Eigen::Index>(at.beta.size());
  const Eigen::Map<const Matrix> inverse(at.inverse.inverse.data(), k, k);
  const Eigen::Map<const Eigen::VectorXd> gradient(at.likelihood.gradient.data(), k);
  const Eigen::VectorXd step = inverse * gradient;
  return {step.data(), step.data() + k};
}

bool Settled(std::span<const double> beta, std::span<const double> step) {
  for (std::size_t arm = 0; arm < beta.size(); ++arm) {
    if (!(std::abs(step[arm]) <= 1e-9 * (1 + std::abs(beta[arm])))) return false;
  }
  return true;
}

std::vector<double> Moved(std::span<const double> beta, std::span<const double> step,
                          double fraction) {
  std::vector<double> moved(beta.begin(), beta.end());
  for (std::size_t arm = 0; arm < moved.size(); ++arm) moved[arm] += fraction * step[arm];
  return moved;
}

// Newton–Raphson with step halving from β = 0, where every arm has a finite maximum relative to the
// reference of its group.
Maximum Maximize(const RiskSets& sets, std::span<const int> group, int reference,
                 const CoxOptions& options) {
  Maximum at{.beta = std::vector<double>(sets.arms(), 0.0)};
  const auto evaluate = [&](std::vector<double> beta) {
    at.likelihood = EvaluateCox(sets, beta, options.ties);
    at.inverse = InvertWithinGroups(at.likelihood.information, group, reference);
    at.beta = std::move(beta);
  };
  evaluate(at.beta);
  while (at.iterations < options.max_iterations) {
    const std::vector<double> start = at.beta;
    const std::vector<double> step = NewtonStep(at);
    const double floor = at.likelihood.value - 1e-10 * (1 + std::abs(at.likelihood.value));
    double fraction = 1;
    evaluate(Moved(start, step, fraction));
    for (int halvings = 0; !(at.likelihood.value >= floor) && halvings < 40; ++halvings) {
      fraction /= 2;
      evaluate(Moved(start, step, fraction));
    }
    ++at.iterations;
    if (fraction == 1 && Settled(start, step)) {
      at.converged = true;
      break;
    }
  }
  return at;
}

CoefficientState StateOf(const Comparability& comparability, std::size_t arm, std::size_t against) {
  if (arm == against) return CoefficientState::kReference;
  const bool ahead = comparability.Reaches(arm, against);
  const bool behind = comparability.Reaches(against, arm);
  if (ahead && behind) return CoefficientState::kFinite;
  if (ahead) return CoefficientState::kPlusInfinity;
  if (behind) return CoefficientState::kMinusInfinity;
  return CoefficientState::kNotEstimable;
}

const char* InWords(CoefficientState state) {
  switch (state) {
    case CoefficientState::kPlusInfinity:
      return "always had its events first where they could be compared, so its hazard ratio has no "
             "finite estimate";
    case CoefficientState::kMinusInfinity:
      return "never had an event first where they could be compared, so its hazard ratio has no "
             "finite estimate above 0";
    default:
      return "was never compared with it in a way that settles their hazard ratio";
  }
}

// Sets state, status and reason from what the data compare.
void Describe(const Comparability& comparability, CoxFit& fit) {
  const auto against = static_cast<std::size_t>(fit.against);
  bool infinite = false, unsettled = false;
  for (std::size_t arm = 0; arm < comparability.arms(); ++arm) {
    const CoefficientState state = StateOf(comparability, arm, against);
    fit.state.push_back(state);
    if (state == CoefficientState::kReference || state == CoefficientState::kFinite) continue;
    (state == CoefficientState::kNotEstimable ? unsettled : infinite) = true;
    absl::StrAppend(&fit.reason, fit.reason.empty() ? "" : "; ", "arm ", arm, " against arm ",
                    against, ": arm ", arm, " ", InWords(state));
  }
  fit.status = infinite    ? FitStatus::kSeparated
               : unsettled ? FitStatus::kPartial
                           : FitStatus::kConverged;
  if (comparability.degrees_of_freedom() == 0) {
    fit.status = FitStatus::kNotEstimable;
    fit.reason = "no event happened that compares two arms, so no hazard ratio can be estimated";
  }
}

void FillCoefficients(std::span<const double> beta, std::span<const double> covariance,
                      double confidence, CoxFit& fit) {
  const double z = TwoSidedNormalQuantile(confidence);
  const std::size_t arms = beta.size();
  for (std::size_t arm = 0; arm < arms; ++arm) {
    if (fit.state[arm] != CoefficientState::kFinite) continue;
    const double error = std::sqrt(covariance[arm * arms + arm]);
    fit.coefficient[arm] = beta[arm];
    fit.standard_error[arm] = error;
    fit.limits[arm] = {.lower = beta[arm] - z * error, .upper = beta[arm] + z * error};
    fit.p_value[arm] = TwoSidedNormalP(beta[arm] / error);
  }
}

// The model-based covariance of the finite coefficients, everything else 0.
std::vector<double> FiniteCovariance(const Maximum& maximum, const CoxFit& fit) {
  const std::size_t arms = fit.state.size();
  std::vector<double> covariance(arms * arms, 0.0);
  for (std::size_t a = 0; a < arms; ++a) {
    for (std::size_t b = 0; b < arms; ++b) {
      if (fit.state[a] != CoefficientState::kFinite) continue;
      if (fit.state[b] != CoefficientState::kFinite) continue;
      covariance[a * arms + b] = maximum.inverse.inverse[a * arms + b];
    }
  }
  return covariance;
}

std::vector<double> Sandwich(std::span<const double> inverse, std::span<const double> meat,
                             std::size_t arms) {
  const auto k = static_cast<Eigen::Index>(arms);
  const Eigen::Map<const Matrix> bread(inverse.data(), k, k);
  const Eigen::Map<const Matrix> filling(meat.data(), k, k);
  const Matrix product = bread * filling * bread;
  const Matrix symmetric = 0.5 * (product + product.transpose());
  return {symmetric.data(), symmetric.data() + k * k};
}

// βᵀ V⁻¹ β over the arms other than the reference; absent where V (robust, from too few blocks) is
// singular.
std::optional<ChiSquareTest> WaldTest(std::span<const double> beta,
                                      std::span<const double> covariance, int against) {
  const auto k = static_cast<Eigen::Index>(beta.size());
  Eigen::VectorXd b(k - 1);
  Eigen::MatrixXd v(k - 1, k - 1);
  const auto skip = [&](Eigen::Index i) { return i < against ? i : i + 1; };
  for (Eigen::Index i = 0; i + 1 < k; ++i) {
    b(i) = beta[static_cast<std::size_t>(skip(i))];
    for (Eigen::Index j = 0; j + 1 < k; ++j) {
      v(i, j) = covariance[static_cast<std::size_t>(skip(i) * k + skip(j))];
    }
  }
  const Eigen::FullPivLU<Eigen::MatrixXd> lu(v);
  if (lu.rank() < k - 1) return std::nullopt;
  return ReferToChiSquare(std::max(0.0, b.dot(lu.solve(b))), static_cast<int>(k) - 1);
}

// The arm other than `against` when those two are the only arms linked at all; otherwise −1.
int OnlyOpponent(const Comparability& comparability, int against) {
  if (comparability.degrees_of_freedom() != 1) return -1;
  const std::vector<int>& linked = comparability.linked();
  for (std::size_t arm = 0; arm < linked.size(); ++arm) {
    if (static_cast<int>(arm) == against) continue;
    if (linked[arm] == linked[static_cast<std::size_t>(against)]) return static_cast<int>(arm);
  }
  return -1;
}

// β at which the log-likelihood lies `drop` below its supremum, reached as β → sign · ∞.
std::optional<double> ProfileLimit(const RiskSets& sets, std::size_t arm, double sign,
                                   double supremum, double drop, Ties ties) {
  std::vector<double> beta(sets.arms(), 0.0);
  const auto shortfall = [&](double distance) {
    beta[arm] = sign * distance;
    return supremum - EvaluateCox(sets, beta, ties).value - drop;
  };
  // Falls with distance, from +∞ (or the drop's equal) to −drop.
  double near = -1, far = 1;
  while (shortfall(near) < 0 && near > -512) near *= 2;
  while (shortfall(far) > 0 && far < 512) far *= 2;
  if (shortfall(near) < 0 || shortfall(far) > 0) return std::nullopt;
  std::uintmax_t iterations = 200;
  const auto bracket = boost::math::tools::toms748_solve(
      shortfall, near, far, boost::math::tools::eps_tolerance<double>(48), iterations);
  return sign * (bracket.first + bracket.second) / 2;
}

void FillProfileLimit(const RiskSets& sets, const Comparability& comparability,
                      const CoxOptions& options, CoxFit& fit) {
  const int arm = OnlyOpponent(comparability, fit.against);
  if (arm < 0 || fit.status != FitStatus::kSeparated) return;
  const auto index = static_cast<std::size_t>(arm);
  const double sign = fit.state[index] == CoefficientState::kPlusInfinity ? 1 : -1;
  const double drop = 0.5 * boost::math::quantile(boost::math::chi_squared(1), options.confidence);
  fit.profile_limit = ProfileLimit(sets, index, sign, fit.log_likelihood, drop, options.ties);
}

CoxFit EmptyFit(const Survival& data, int against, const RiskSets& sets, Ties ties) {
  const auto arms = static_cast<std::size_t>(data.arms);
  CoxFit fit{.against = against,
             .coefficient = std::vector<double>(arms, 0.0),
             .standard_error = std::vector<double>(arms, 0.0),
             .limits = std::vector<Interval>(arms),
             .p_value = std::vector<double>(arms, 0.0),
             .covariance = std::vector<double>(arms * arms, 0.0)};
  fit.units = static_cast<std::int64_t>(data.units());
  fit.events = std::count(data.event.begin(), data.event.end(), std::uint8_t{1});
  fit.strata = sets.strata();
  fit.informative_strata =
      ties == Ties::kExact ? sets.strata_with_choice() : sets.strata_with_company();
  if (data.block.empty()) {
    fit.blocks = data.units() > 0;
  } else {
    fit.blocks = CountDistinct(data.block);
  }
  return fit;
}

void FillRobust(const Survival& data, const Maximum& maximum, Ties ties, CoxFit& fit) {
  const std::size_t arms = fit.state.size();
  const char* why = nullptr;
  if (fit.status != FitStatus::kConverged) {
    why = "need a finite coefficient for every arm";
  } else if (fit.blocks < static_cast<std::int64_t>(arms)) {
    // The scores of all blocks add up to 0, so fewer blocks leave the covariance singular.
    why = "need at least as many blocks as arms";
  } else {
    std::vector<double> robust =
        Sandwich(fit.covariance, BlockScoreProducts(data, maximum.beta, ties), arms);
    const bool vanishes = [&] {
      for (std::size_t a = 0; a < arms; ++a) {
        const std::size_t i = a * arms + a;
        if (!(robust[i] > 1e-20 * fit.covariance[i]) && fit.covariance[i] > 0) return true;
      }
      return false;
    }();
    if (!vanishes) {
      fit.robust_covariance = std::move(robust);
      return;
    }
    why = "vanish because every block pulls both ways alike";
  }
  absl::StrAppend(&fit.reason, fit.reason.empty() ? "" : "; ", "cluster-robust errors ", why,
                  "; the errors given are model-based");
}

}  // namespace

const char* ToString(Ties ties) {
  switch (ties) {
    case Ties::kExact:
      return "exact";
    case Ties::kEfron:
      return "efron";
    case Ties::kBreslow:
      return "breslow";
  }
  return "unknown";
}

const char* ToString(FitStatus status) {
  switch (status) {
    case FitStatus::kConverged:
      return "converged";
    case FitStatus::kSeparated:
      return "separated";
    case FitStatus::kPartial:
      return "partial";
    case FitStatus::kNotEstimable:
      return "not_estimable";
    case FitStatus::kNotConverged:
      return "not_converged";
  }
  return "unknown";
}

absl::StatusOr<CoxFit> FitCox(const Survival& data, int against, const CoxOptions& options) {
  if (absl::Status status = CheckOptions(data, against, options); !status.ok()) return status;
  const RiskSets sets(data, options.strata);
  const Comparability comparability(sets, options.ties);
  CoxFit fit = EmptyFit(data, against, sets, options.ties);
  Describe(comparability, fit);
  const std::vector<double> null_beta(sets.arms(), 0.0);
  const CoxLikelihood null = EvaluateCox(sets, null_beta, options.ties);
  fit.log_likelihood_null = fit.log_likelihood = null.value;
  if (fit.status == FitStatus::kNotEstimable) return fit;

  const bool whole = comparability.finite() == comparability.linked();
  const RiskSets within = whole ? sets : sets.Within(comparability.finite());
  const Maximum maximum = Maximize(within, comparability.finite(), against, options);
  fit.log_likelihood = maximum.likelihood.value;
  fit.iterations = maximum.iterations;
  if (!maximum.converged) {
    fit.status = FitStatus::kNotConverged;
    fit.reason = absl::StrCat("the fit did not settle in ", maximum.iterations,
                              " iterations, so no hazard ratio is given");
    return fit;
  }
  fit.covariance = FiniteCovariance(maximum, fit);
  if (options.cluster_robust) FillRobust(data, maximum, options.ties, fit);
  const std::vector<double> covariance = fit.robust_covariance.value_or(fit.covariance);
  FillCoefficients(maximum.beta, covariance, options.confidence, fit);
  if (fit.status == FitStatus::kConverged) {
    fit.wald = WaldTest(fit.coefficient, covariance, against);
  }
  const int degrees = comparability.degrees_of_freedom();
  fit.likelihood_ratio =
      ReferToChiSquare(std::max(0.0, 2 * (fit.log_likelihood - null.value)), degrees);
  fit.score = ReferToChiSquare(InvertWithinGroups(null.information, comparability.linked(), against)
                                   .QuadraticForm(null.gradient),
                               degrees);
  FillProfileLimit(sets, comparability, options, fit);
  return fit;
}

}  // namespace plumule::stats
