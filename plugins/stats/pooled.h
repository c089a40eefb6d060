#ifndef PLUMULE_PLUGINS_STATS_POOLED_H_
#define PLUMULE_PLUGINS_STATS_POOLED_H_

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "plugins/stats/chi_square_test.h"
#include "plugins/stats/effect_size.h"
#include "plugins/stats/interval.h"

namespace plumule::stats {

// Synthesis of k ≥ 1 studies, each an Effect with a finite estimate and a finite variance > 0.
// Every function: INVALID_ARGUMENT, naming the study by position, when that does not hold, when k
// is 0, or when a confidence is outside (0, 1). Order of studies changes no digit (except of course
// the cumulative ones). Where an answer needs more studies than there are, its field is absent.

// How the variance between studies, τ², is estimated.
enum class TauSquaredMethod {
  kCommonEffect,      // τ² = 0 by assumption; inverse-variance common effect
  kDerSimonianLaird,  // DerSimonian & Laird 1986, Control Clin Trials 7:177; closed form
  kPauleMandel,       // Paule & Mandel 1982, J Res NBS 87:377; root of Q(τ²) = k − 1
  kReml,              // restricted likelihood, Viechtbauer 2005, J Educ Behav Stat 30:261
};

// "common_effect", "dersimonian_laird", "paule_mandel", "reml".
const char* ToString(TauSquaredMethod method);

// How the pooled estimate is referred to a distribution.
enum class PooledErrors {
  kNormal,  // standard error 1/√Σw, normal reference
  // Hartung & Knapp 2001, Stat Med 20:3875; Sidik & Jonkman 2002: variance times q, t with k − 1
  // degrees of freedom, where q = Σ w (y − μ)² / (k − 1).
  kHartungKnapp,
  // The same with max(1, q): never narrower than the normal errors' variance (Röver, Knapp & Friede
  // 2015, BMC Med Res Methodol 15:99).
  kHartungKnappSafeguarded,
};

// Quantile used for a prediction interval μ ± c · √(se² + τ²).
enum class PredictionConvention {
  kNormal,      // standard normal
  kTKMinusTwo,  // t, k − 2 (Higgins, Thompson & Spiegelhalter 2009, JRSS A 172:137); k ≥ 3
  kTKMinusOne,  // t, k − 1 (common with Hartung–Knapp errors); k ≥ 2
};

struct PoolOptions {
  TauSquaredMethod method = TauSquaredMethod::kReml;
  PooledErrors errors = PooledErrors::kHartungKnappSafeguarded;
  double confidence = 0.95;
};

struct Pooled {
  int studies = 0;
  double tau_squared = 0;
  // False when the iteration for τ² stopped short of a relative 1e-12 (never seen; `remark` then
  // says so and nothing here must be used). Closed forms are always true.
  bool converged = true;
  int iterations = 0;
  std::string remark = {};

  double estimate = 0;
  double standard_error = 0;  // as PooledErrors says
  // Absent with Hartung–Knapp errors and one study: no degrees of freedom.
  std::optional<double> statistic = std::nullopt;        // estimate ÷ standard_error; z or t
  std::optional<int> degrees_of_freedom = std::nullopt;  // of t; absent for a normal reference
  std::optional<double> p_value = std::nullopt;          // two-sided
  std::optional<Interval> limits = std::nullopt;
  std::vector<double> weight = {};  // share of the total weight, in the order given; adds up to 1
};

absl::StatusOr<Pooled> Pool(std::span<const Effect> studies, const PoolOptions& options);
// O(k) for closed forms, O(k · iterations) for the rest.

// How much studies differ beyond their sampling errors.
struct Heterogeneity {
  ChiSquareTest q = {};  // Cochran's Q about the common effect, k − 1 degrees of freedom
  double i_squared = 0;  // percent, 0 … 100
  double h_squared = 1;  // with τ² = 0 and one study: 1
};

// For kCommonEffect: I² = max(0, (Q − df)/Q) and H² = Q/df (may be below 1). Otherwise from τ²:
// I² = τ²/(τ² + s²), H² = τ²/s² + 1, s² = (k − 1)Σw / ((Σw)² − Σw²) being the typical sampling
// variance (Higgins & Thompson 2002, Stat Med 21:1539, eq. 9). One study: I² 0, H² 1, no p. O(k).
absl::StatusOr<Heterogeneity> MeasureHeterogeneity(std::span<const Effect> studies,
                                                   TauSquaredMethod method, double tau_squared);

// Q-profile limits of τ² (Viechtbauer 2007, Stat Med 26:37): where Q(τ²) equals chi-square(k − 1)
// quantiles, each limit at least 0. When even τ² = 0 gives a Q below the lower quantile, both
// limits are 0. Absent for one study. O(k · 60).
absl::StatusOr<std::optional<Interval>> TauSquaredLimits(std::span<const Effect> studies,
                                                         double confidence = 0.95);

// Where the effect of one further study is expected to lie. Absent where k is too small.
std::optional<Interval> PredictionInterval(const Pooled& pooled, PredictionConvention convention,
                                           double confidence = 0.95);

// Pool() without study i, for each i. Empty for one study. O(k²).
absl::StatusOr<std::vector<Pooled>> LeaveOneOut(std::span<const Effect> studies,
                                                const PoolOptions& options);

// Pool() of the first 1, 2, … k studies in the order given. O(k²).
absl::StatusOr<std::vector<Pooled>> Cumulative(std::span<const Effect> studies,
                                               const PoolOptions& options);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_POOLED_H_
