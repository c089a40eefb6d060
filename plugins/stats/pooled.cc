#include "plugins/stats/pooled.h"

#include <algorithm>
#include <boost/math/distributions/chi_squared.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>
#include <tuple>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"
#include "plugins/stats/between_study_variance.h"

namespace plumule::stats {
namespace {

absl::Status CheckStudies(std::span<const Effect> studies) {
  if (studies.empty()) return absl::InvalidArgumentError("there are no studies to pool");
  for (std::size_t i = 0; i < studies.size(); ++i) {
    if (!std::isfinite(studies[i].estimate)) {
      return absl::InvalidArgumentError(absl::StrCat("estimate of study ", i, " is ",
                                                     studies[i].estimate, "; it must be finite"));
    }
    if (!std::isfinite(studies[i].variance) || studies[i].variance <= 0) {
      return absl::InvalidArgumentError(absl::StrCat(
          "variance of study ", i, " is ", studies[i].variance, "; it must be finite and above 0"));
    }
  }
  return absl::OkStatus();
}

// The order in which studies are added up, whatever order they came in.
std::vector<Effect> InCanonicalOrder(std::span<const Effect> studies) {
  std::vector<Effect> sorted(studies.begin(), studies.end());
  std::sort(sorted.begin(), sorted.end(), [](const Effect& a, const Effect& b) {
    return std::tie(a.variance, a.estimate) < std::tie(b.variance, b.estimate);
  });
  return sorted;
}

double TwoSidedTQuantile(int degrees_of_freedom, double confidence) {
  return boost::math::quantile(
      boost::math::complement(boost::math::students_t(degrees_of_freedom), (1 - confidence) / 2));
}

double TwoSidedTP(double t, int degrees_of_freedom) {
  return 2 * boost::math::cdf(
                 boost::math::complement(boost::math::students_t(degrees_of_freedom), std::abs(t)));
}

Interval Around(double center, double half_width) {
  return {.lower = center - half_width, .upper = center + half_width};
}

void Remark(Pooled& pooled, const char* words) {
  absl::StrAppend(&pooled.remark, pooled.remark.empty() ? "" : "; ", words);
}

void FillNormal(double confidence, Pooled& pooled) {
  pooled.statistic = pooled.estimate / pooled.standard_error;
  pooled.p_value = TwoSidedNormalP(*pooled.statistic);
  pooled.limits =
      Around(pooled.estimate, TwoSidedNormalQuantile(confidence) * pooled.standard_error);
}

void FillHartungKnapp(const WeightedStudies& at, const PoolOptions& options, Pooled& pooled) {
  const int degrees = pooled.studies - 1;
  if (degrees == 0) {
    Remark(pooled, "Hartung–Knapp errors need at least two studies, so there are no limits");
    return;
  }
  double q = at.q / degrees;
  if (options.errors == PooledErrors::kHartungKnappSafeguarded) q = std::max(1.0, q);
  pooled.standard_error *= std::sqrt(q);
  pooled.degrees_of_freedom = degrees;
  pooled.limits = Around(pooled.estimate,
                         TwoSidedTQuantile(degrees, options.confidence) * pooled.standard_error);
  if (!(pooled.standard_error > 0)) {
    Remark(pooled, "all studies agree to the last digit, so Hartung–Knapp errors vanish");
    return;
  }
  pooled.statistic = pooled.estimate / pooled.standard_error;
  pooled.p_value = TwoSidedTP(*pooled.statistic, degrees);
}

}  // namespace

const char* ToString(TauSquaredMethod method) {
  switch (method) {
    case TauSquaredMethod::kCommonEffect:
      return "common_effect";
    case TauSquaredMethod::kDerSimonianLaird:
      return "dersimonian_laird";
    case TauSquaredMethod::kPauleMandel:
      return "paule_mandel";
    case TauSquaredMethod::kReml:
      return "reml";
  }
  return "unknown";
}

absl::StatusOr<Pooled> Pool(std::span<const Effect> studies, const PoolOptions& options) {
  if (absl::Status status = CheckStudies(studies); !status.ok()) return status;
  if (auto status = CheckConfidence(options.confidence); !status.ok()) return status;
  const std::vector<Effect> sorted = InCanonicalOrder(studies);
  const BetweenStudyVariance between = EstimateTauSquared(sorted, options.method);
  const WeightedStudies at = WeighStudies(sorted, between.tau_squared);
  Pooled pooled{.studies = static_cast<int>(studies.size()),
                .tau_squared = between.tau_squared,
                .converged = between.converged,
                .iterations = between.iterations,
                .estimate = at.mean,
                .standard_error = 1 / std::sqrt(at.weight)};
  if (!between.converged) {
    Remark(pooled, "the variance between studies did not settle; these figures must not be used");
  }
  for (const Effect& study : studies) {
    pooled.weight.push_back(1 / (study.variance + between.tau_squared) / at.weight);
  }
  if (options.errors == PooledErrors::kNormal) {
    FillNormal(options.confidence, pooled);
  } else {
    FillHartungKnapp(at, options, pooled);
  }
  return pooled;
}

absl::StatusOr<Heterogeneity> MeasureHeterogeneity(std::span<const Effect> studies,
                                                   TauSquaredMethod method, double tau_squared) {
  if (absl::Status status = CheckStudies(studies); !status.ok()) return status;
  if (!std::isfinite(tau_squared) || tau_squared < 0) {
    return absl::InvalidArgumentError(
        absl::StrCat("tau_squared is ", tau_squared, "; it must be finite and not negative"));
  }
  const int degrees = static_cast<int>(studies.size()) - 1;
  const WeightedStudies at0 = WeighStudies(InCanonicalOrder(studies), 0);
  Heterogeneity result{.q = ReferToChiSquare(at0.q, degrees)};
  if (degrees == 0) return result;
  if (method == TauSquaredMethod::kCommonEffect) {
    result.h_squared = at0.q / degrees;
    result.i_squared = at0.q > degrees ? 100 * (at0.q - degrees) / at0.q : 0;
    return result;
  }
  const double typical = degrees * at0.weight / (at0.weight * at0.weight - at0.weight_squared);
  result.i_squared = 100 * tau_squared / (tau_squared + typical);
  result.h_squared = tau_squared / typical + 1;
  return result;
}

absl::StatusOr<std::optional<Interval>> TauSquaredLimits(std::span<const Effect> studies,
                                                         double confidence) {
  if (absl::Status status = CheckStudies(studies); !status.ok()) return status;
  if (absl::Status status = CheckConfidence(confidence); !status.ok()) return status;
  if (studies.size() == 1) return std::nullopt;
  const boost::math::chi_squared distribution(static_cast<double>(studies.size() - 1));
  const double tail = (1 - confidence) / 2;
  const std::vector<Effect> sorted = InCanonicalOrder(studies);
  const BetweenStudyVariance lower =
      SolveQ(sorted, boost::math::quantile(boost::math::complement(distribution, tail)));
  const BetweenStudyVariance upper = SolveQ(sorted, boost::math::quantile(distribution, tail));
  if (!lower.converged || !upper.converged) {
    return absl::InternalError("the limits of the variance between studies did not settle");
  }
  return Interval{.lower = lower.tau_squared, .upper = upper.tau_squared};
}

std::optional<Interval> PredictionInterval(const Pooled& pooled, PredictionConvention convention,
                                           double confidence) {
  if (!CheckConfidence(confidence).ok()) return std::nullopt;
  double quantile = 0;
  if (convention == PredictionConvention::kNormal) {
    quantile = TwoSidedNormalQuantile(confidence);
  } else {
    const int lost = convention == PredictionConvention::kTKMinusTwo ? 2 : 1;
    if (pooled.studies - lost < 1) return std::nullopt;
    quantile = TwoSidedTQuantile(pooled.studies - lost, confidence);
  }
  return Around(
      pooled.estimate,
      quantile * std::sqrt(pooled.standard_error * pooled.standard_error + pooled.tau_squared));
}

absl::StatusOr<std::vector<Pooled>> LeaveOneOut(std::span<const Effect> studies,
                                                const PoolOptions& options) {
  if (absl::Status status = CheckStudies(studies); !status.ok()) return status;
  if (auto status = CheckConfidence(options.confidence); !status.ok()) return status;
  std::vector<Pooled> results;
  if (studies.size() == 1) return results;
  for (std::size_t left_out = 0; left_out < studies.size(); ++left_out) {
    std::vector<Effect> rest(studies.begin(), studies.end());
    rest.erase(rest.begin() + static_cast<std::ptrdiff_t>(left_out));
    auto pooled = Pool(rest, options);
    if (!pooled.ok()) return pooled.status();
    results.push_back(*std::move(pooled));
  }
  return results;
}

absl::StatusOr<std::vector<Pooled>> Cumulative(std::span<const Effect> studies,
                                               const PoolOptions& options) {
  if (absl::Status status = CheckStudies(studies); !status.ok()) return status;
  std::vector<Pooled> results;
  for (std::size_t count = 1; count <= studies.size(); ++count) {
    auto pooled = Pool(studies.first(count), options);
    if (!pooled.ok()) return pooled.status();
    results.push_back(*std::move(pooled));
  }
  return results;
}

}  // namespace plumule::stats
