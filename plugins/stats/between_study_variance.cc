#include "plugins/stats/between_study_variance.h"

#include <algorithm>
#include <cmath>

#include "plugins/stats/compensated_sum.h"

namespace plumule::stats {
namespace {

constexpr double kTolerance = 1e-13;
constexpr int kMaxIterations = 10000;

BetweenStudyVariance DerSimonianLaird(std::span<const Effect> studies) {
  const WeightedStudies at0 = WeighStudies(studies, 0);
  const double excess = at0.q - static_cast<double>(studies.size() - 1);
  const double scale = at0.weight - at0.weight_squared / at0.weight;
  return {.tau_squared = std::max(0.0, excess / scale)};
}

// Variance of the estimates less the mean sampling variance (Hedges 1983): where REML starts.
double UnweightedMoments(std::span<const Effect> studies) {
  const auto k = static_cast<double>(studies.size());
  CompensatedSum estimates, variances, squares;
  for (const Effect& study : studies) {
    estimates.Add(study.estimate);
    variances.Add(study.variance);
  }
  for (const Effect& study : studies) {
    squares.Add(std::pow(study.estimate - estimates.value() / k, 2));
  }
  return std::max(0.0, squares.value() / (k - 1) - variances.value() / k);
}

// Twice the restricted log-likelihood, up to a constant.
double RestrictedLogLikelihood(std::span<const Effect> studies, double tau_squared) {
  const WeightedStudies at = WeighStudies(studies, tau_squared);
  CompensatedSum log_variances;
  for (const Effect& study : studies) log_variances.Add(std::log(study.variance + tau_squared));
  return -log_variances.value() - std::log(at.weight) - at.q;
}

// Newton's method, or Fisher scoring where the likelihood is not concave, with the step halved
// while it lowers the likelihood, bounded at 0. Fisher scoring alone can take thousands of steps or
// cycle.
BetweenStudyVariance RestrictedMaximum(std::span<const Effect> studies) {
  BetweenStudyVariance fit{.tau_squared = UnweightedMoments(studies), .converged = false};
  double likelihood = RestrictedLogLikelihood(studies, fit.tau_squared);
  while (fit.iterations < kMaxIterations) {
    const WeightedStudies at = WeighStudies(studies, fit.tau_squared);
    const double trace = at.weight - at.weight_squared / at.weight;
    const double trace_squared = at.weight_squared - 2 * at.weight_cubed / at.weight +
                                 std::pow(at.weight_squared / at.weight, 2);
    const double observed = 2 * at.q_curvature - trace_squared;
    double step = (at.q_slope - trace) / (observed > 0 ? observed : trace_squared);
    double next = std::max(0.0, fit.tau_squared + step);
    double next_likelihood = RestrictedLogLikelihood(studies, next);
    const double floor = likelihood - 1e-13 * (1 + std::abs(likelihood));
    for (int halvings = 0; next_likelihood < floor && halvings < 60; ++halvings) {
      step /= 2;
      next = std::max(0.0, fit.tau_squared + step);
      next_likelihood = RestrictedLogLikelihood(studies, next);
    }
    ++fit.iterations;
    const double change = std::abs(next - fit.tau_squared);
    fit.tau_squared = next;
    likelihood = next_likelihood;
    const double typical = static_cast<double>(studies.size()) / at.weight;
    if (change <= kTolerance * typical) {
      fit.converged = true;
      break;
    }
  }
  return fit;
}

}  // namespace

WeightedStudies WeighStudies(std::span<const Effect> studies, double tau_squared) {
  CompensatedSum weight, squared, cubed, weighted, q, slope, cube, tilt;
  for (const Effect& study : studies) {
    const double w = 1 / (study.variance + tau_squared);
    weight.Add(w);
    squared.Add(w * w);
    cubed.Add(w * w * w);
    weighted.Add(w * study.estimate);
  }
  const double mean = weighted.value() / weight.value();
  for (const Effect& study : studies) {
    const double w = 1 / (study.variance + tau_squared);
    const double residual = study.estimate - mean;
    q.Add(w * residual * residual);
    slope.Add(w * residual * (w * residual));
    cube.Add(w * (w * residual) * (w * residual));
    tilt.Add(w * w * residual);
  }
  return {.weight = weight.value(),
          .weight_squared = squared.value(),
          .weight_cubed = cubed.value(),
          .mean = mean,
          .q = q.value(),
          .q_slope = slope.value(),
          .q_curvature = cube.value() - tilt.value() * tilt.value() / weight.value()};
}

BetweenStudyVariance SolveQ(std::span<const Effect> studies, double target) {
  BetweenStudyVariance root{.converged = false};
  while (root.iterations < kMaxIterations) {
    const WeightedStudies at = WeighStudies(studies, root.tau_squared);
    const double step = (at.q - target) / at.q_slope;
    // Only rounding makes the step negative once it started from the left.
    if (!(step > kTolerance * (root.tau_squared + 1 / at.weight))) {
      root.converged = true;
      break;
    }
    root.tau_squared += step;
    ++root.iterations;
  }
  return root;
}

BetweenStudyVariance EstimateTauSquared(std::span<const Effect> studies, TauSquaredMethod method) {
  if (studies.size() == 1) return {};
  switch (method) {
    case TauSquaredMethod::kCommonEffect:
      return {};
    case TauSquaredMethod::kDerSimonianLaird:
      return DerSimonianLaird(studies);
    case TauSquaredMethod::kPauleMandel:
      return SolveQ(studies, static_cast<double>(studies.size() - 1));
    case TauSquaredMethod::kReml:
      return RestrictedMaximum(studies);
  }
  return {.converged = false};
}

}  // namespace plumule::stats
