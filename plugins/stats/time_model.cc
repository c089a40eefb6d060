#include "plugins/stats/time_model.h"

#include <cmath>
#include <limits>
#include <numbers>

namespace plumule::stats {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();

// Below this standardized width an interval is as good as exact at its middle: what is left out is
// width² / 24 of log density, while differences of tails would lose digits as 1 / width².
constexpr double kNarrow = 1e-4;

double Log1mExp(double x) {  // log(1 − eˣ), x ≤ 0
  return x > -std::numbers::ln2 ? std::log(-std::expm1(x)) : std::log1p(-std::exp(x));
}

double LogLogisticTail(double z) {  // log(1 / (1 + eᶻ))
  return z > 0 ? -z - std::log1p(std::exp(-z)) : -std::log1p(std::exp(z));
}

double LogNormalDensity(double z) { return -z * z / 2 - std::log(2 * std::numbers::pi) / 2; }

double LogNormalTail(double z) {
  if (z == kInfinity) return -kInfinity;
  if (z < 6) return std::log(std::erfc(z / std::numbers::sqrt2) / 2);
  // Mills' ratio by its continued fraction (Abramowitz & Stegun 1964, 26.2.14).
  double rest = z;
  for (int k = 60; k >= 1; --k) rest = z + k / rest;
  return LogNormalDensity(z) - std::log(rest);
}

double LogDensity(TimeModel model, double z) {
  switch (model) {
    case TimeModel::kWeibull:
      return z - std::exp(z);
    case TimeModel::kLogNormal:
      return LogNormalDensity(z);
    case TimeModel::kLogLogistic:
      return LogLogisticTail(z) + LogLogisticTail(-z);
  }
  return -kInfinity;
}

double Slope(TimeModel model, double z) {  // of the log density
  switch (model) {
    case TimeModel::kWeibull:
      return -std::expm1(z);
    case TimeModel::kLogNormal:
      return -z;
    case TimeModel::kLogLogistic:
      return -std::tanh(z / 2);
  }
  return 0;
}

double Curvature(TimeModel model, double z) {  // of the log density
  switch (model) {
    case TimeModel::kWeibull:
      return -std::exp(z);
    case TimeModel::kLogNormal:
      return -1;
    case TimeModel::kLogLogistic:
      return -2 * std::exp(LogDensity(model, z));
  }
  return 0;
}

double LogWeibullProbability(double from, double to) {
  if (from == -kInfinity) {
    // F(z) = 1 − exp(−eᶻ); far out it is eᶻ to double precision.
    return to < -37 ? to : Log1mExp(-std::exp(to));
  }
  const double start = std::exp(from);
  const double passed = to - from < 1 ? start * std::expm1(to - from) : std::exp(to) - start;
  return -start + Log1mExp(-passed);
}

double LogNormalProbability(double from, double to) {
  // By symmetry, the side on which tails keep their digits.
  if (from + to < 0) return LogNormalProbability(-to, -from);
  const double tail = LogNormalTail(from);
  return to == kInfinity ? tail : tail + Log1mExp(LogNormalTail(to) - tail);
}

double LogProbability(TimeModel model, double from, double to) {
  if (!(from < to)) return -kInfinity;
  if (from == -kInfinity && to == kInfinity) return 0;
  switch (model) {
    case TimeModel::kWeibull:
      return LogWeibullProbability(from, to);
    case TimeModel::kLogNormal:
      return LogNormalProbability(from, to);
    case TimeModel::kLogLogistic:
      return LogLogisticTail(-to) + LogLogisticTail(from) + Log1mExp(from - to);
  }
  return -kInfinity;
}

LikelihoodTerm Exact(TimeModel model, double at, double gamma, double tau) {
  const double z = tau * at - gamma;
  const double slope = Slope(model, z);
  const double curvature = Curvature(model, z);
  if (!(tau > 0)) return {.value = -kInfinity};
  return {.value = LogDensity(model, z) + std::log(tau) - at,
          .gamma = -slope,
          .tau = slope * at + 1 / tau,
          .gamma_gamma = curvature,
          .gamma_tau = -curvature * at,
          .tau_tau = curvature * at * at - 1 / (tau * tau)};
}

// One end of an interval: its density over the probability between the ends, and that times the
// slope of the log density. An open end has neither.
struct End {
  End(TimeModel model, double log_time, double z, double log_probability) {
    if (!std::isfinite(log_time)) return;
    at = log_time;
    ratio = std::exp(LogDensity(model, z) - log_probability);
    if (ratio > 0) sloped = ratio * Slope(model, z);
  }
  double at = 0;
  double ratio = 0;
  double sloped = 0;
};

LikelihoodTerm Between(TimeModel model, double lower, double upper, double gamma, double tau) {
  const double from = std::isfinite(lower) ? tau * lower - gamma : -kInfinity;
  const double to = std::isfinite(upper) ? tau * upper - gamma : kInfinity;
  const double log_probability = LogProbability(model, from, to);
  if (!std::isfinite(log_probability)) return {.value = -kInfinity};
  const End l(model, lower, from, log_probability);
  const End u(model, upper, to, log_probability);
  const double ll = -l.sloped - l.ratio * l.ratio;
  const double uu = u.sloped - u.ratio * u.ratio;
  const double lu = l.ratio * u.ratio;
  return {.value = log_probability,
          .gamma = l.ratio - u.ratio,
          .tau = u.ratio * u.at - l.ratio * l.at,
          .gamma_gamma = ll + 2 * lu + uu,
          .gamma_tau = -(ll * l.at + lu * (l.at + u.at) + uu * u.at),
          .tau_tau = ll * l.at * l.at + 2 * lu * l.at * u.at + uu * u.at * u.at};
}

}  // namespace

const char* ToString(TimeModel model) {
  switch (model) {
    case TimeModel::kWeibull:
      return "weibull";
    case TimeModel::kLogNormal:
      return "lognormal";
    case TimeModel::kLogLogistic:
      return "loglogistic";
  }
  return "";
}

LikelihoodTerm LogLikelihood(TimeModel model, double lower, double upper, double gamma,
                             double tau) {
  if (lower == upper) return Exact(model, lower, gamma, tau);
  const double width = upper - lower;
  if (!std::isfinite(width) || !(tau > 0) || tau * width > kNarrow) {
    return Between(model, lower, upper, gamma, tau);
  }
  const double middle = lower + width / 2;
  LikelihoodTerm term = Exact(model, middle, gamma, tau);
  term.value += std::log(width) + middle;
  return term;
}

}  // namespace plumule::stats
