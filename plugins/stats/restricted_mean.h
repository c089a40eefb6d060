#ifndef PLUMULE_PLUGINS_STATS_RESTRICTED_MEAN_H_
#define PLUMULE_PLUGINS_STATS_RESTRICTED_MEAN_H_

#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "absl/status/statusor.h"
#include "plugins/stats/interval.h"
#include "plugins/stats/kaplan_meier.h"
#include "plugins/stats/survival.h"

namespace plumule::stats {

// Mean days without the event within the first τ days: the area under the curve from 0 to τ.
// Measure `restricted_mean_days`.
struct RestrictedMean {
  double tau = 0;             // days
  double mean = 0;            // days
  double standard_error = 0;  // days (linear scale)
  Interval limits = {};       // mean ± z · standard_error
  // True when τ lies after the last observed time and the curve is not at 0 there: the curve was
  // carried on level to τ, which nothing observed supports.
  bool past_follow_up = false;
};

// Klein & Moeschberger (2003, Survival Analysis, eq. 4.5.2): Σ A(t)² d / (n (n − d)), where A(t) is
// the area under the curve from t to τ; terms with n = d are left out (A is 0 there). As
// print(survfit, rmean = τ) in R's survival. INVALID_ARGUMENT for a τ that is not finite and
// positive or a confidence outside (0, 1); FAILED_PRECONDITION for a curve without units. O(steps).
absl::StatusOr<RestrictedMean> RestrictedMeanDays(const KaplanMeierCurve& curve, double tau,
                                                  double confidence = 0.95);

// Influence of each unit on the restricted mean of all of them as one group, times their number:
// how much longer than the rest it takes, in days, with censoring allowed for (n times the
// infinitesimal jackknife; for complete times min(time, tau) less the mean). Sums to 0. A score
// that is fixed before arms are looked at. INVALID_ARGUMENT as KaplanMeier() and for tau.
// O(n log n).
absl::StatusOr<std::vector<double>> RestrictedMeanScores(std::span<const double> time,
                                                         std::span<const std::uint8_t> event,
                                                         double tau);

enum class ErrorModel {
  kIndependent,    // every unit on its own
  kClusterRobust,  // units of one block may be alike
};

// `arm` compared with `against`: measures `restricted_mean_difference` (arm − against) and
// `restricted_mean_ratio` (arm ÷ against).
struct RestrictedMeanContrast {
  RestrictedMean arm = {};  // errors here are always those of RestrictedMeanDays()
  RestrictedMean against = {};
  double difference = 0;                 // days, arm − against
  double difference_standard_error = 0;  // days
  Interval difference_limits = {};
  // Two-sided, normal reference. Absent when the standard error is 0 (no event before τ in
  // either arm, say).
  std::optional<double> difference_p_value = std::nullopt;
  // Absent when either mean is 0 (every unit had its event on day 0).
  struct Ratio {
    double value = 0;               // arm ÷ against
    double log_standard_error = 0;  // scale `log`, delta method
    Interval limits = {};           // exp(log value ± z · log_standard_error)
    std::optional<double> p_value = std::nullopt;
  };
  std::optional<Ratio> ratio = std::nullopt;
  std::int64_t blocks = 0;  // blocks with a unit in either arm
};

// Difference after Uno et al. (2014, JCO 32:2380). kClusterRobust: the influence of each unit on
// its arm's restricted mean (infinitesimal jackknife of the product-limit integral; Andersen,
// Hansen & Klein 2004, Lifetime Data Anal 10:335; as residuals(survfit, type = "auc") in R's
// survival), arm minus against, summed within blocks, squared and summed over blocks; no
// small-sample factor, so with few blocks (under about 30) the errors are somewhat too small.
//
// INVALID_ARGUMENT as Validate(), for arms outside 0 … arms − 1 or equal, for τ and confidence as
// above; FAILED_PRECONDITION when either arm has no units. O(n log n).
absl::StatusOr<RestrictedMeanContrast> CompareRestrictedMeans(const Survival& data, int arm,
                                                              int against, double tau,
                                                              ErrorModel errors,
                                                              double confidence = 0.95);

// Two arms to be compared.
struct ArmPair {
  int arm = 0;
  int against = 0;
};

// Several comparisons: differences of restricted means (days), in the order of the pairs, and their
// covariance.
struct RestrictedMeanContrasts {
  std::vector<double> difference;  // arm − against
  std::vector<double> covariance;  // days², pairs × pairs, row-major
};

// Influences as for kClusterRobust above; a block sums those of all its units, so comparisons that
// share blocks or an arm are correlated as they are. The variances are the squared errors of
// CompareRestrictedMeans(). Errors as there, for each pair. O(n log n + n · pairs²).
absl::StatusOr<RestrictedMeanContrasts> CompareRestrictedMeansJointly(
    const Survival& data, std::span<const ArmPair> pairs, double tau);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_RESTRICTED_MEAN_H_
