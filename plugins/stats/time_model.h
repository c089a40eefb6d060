#ifndef PLUMULE_PLUGINS_STATS_TIME_MODEL_H_
#define PLUMULE_PLUGINS_STATS_TIME_MODEL_H_

namespace plumule::stats {

// Families of times: log T = location + σ ε with ε standard …
enum class TimeModel {
  kWeibull,      // … smallest extreme value
  kLogNormal,    // … normal
  kLogLogistic,  // … logistic
};

const char* ToString(TimeModel model);  // "weibull", "lognormal", "loglogistic"

// Log-likelihood of one observation of log time as a function of γ = location / σ and τ = 1 / σ,
// with its derivatives. Not finite where the parameters give the observation no chance.
struct LikelihoodTerm {
  double value = 0;
  double gamma = 0;
  double tau = 0;
  double gamma_gamma = 0;
  double gamma_tau = 0;
  double tau_tau = 0;
};

// The log time lies in (lower, upper], or is exactly `lower` where both are equal; −infinity and
// +infinity are open ends. An exact one contributes its density of time (not of log time). All
// probabilities are taken as logarithms, so tails do not underflow. O(1).
LikelihoodTerm LogLikelihood(TimeModel model, double lower, double upper, double gamma, double tau);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_TIME_MODEL_H_
