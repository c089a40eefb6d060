#ifndef PLUMULE_PLUGINS_STATS_COX_H_
#define PLUMULE_PLUGINS_STATS_COX_H_

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "plugins/stats/chi_square_test.h"
#include "plugins/stats/coefficient_state.h"
#include "plugins/stats/interval.h"
#include "plugins/stats/log_rank.h"
#include "plugins/stats/survival.h"

namespace plumule::stats {

// Proportional hazards with one indicator for each arm but the one compared against: the hazard
// (rate of reaching the event) of arm a is exp(β_a) times that of `against`. Measure
// `hazard_ratio`; above 1 means sooner. Cox 1972, JRSS B 34:187.

enum class Ties {
  // Conditional likelihood of who had the event among those at risk, given how many (Cox 1972, §6
  // discrete model; Kalbfleisch & Prentice 2002, §4.2.3). In blocks with ties Efron and Breslow are
  // pulled toward no difference; this one is not.
  kExact,
  kEfron,    // Efron 1977, JASA 72:557
  kBreslow,  // Breslow 1974, Biometrics 30:89
};

enum class FitStatus {
  kConverged,     // every coefficient is finite
  kSeparated,     // at least one is infinite; the finite ones converged
  kPartial,       // none is infinite, at least one cannot be estimated; the finite ones converged
  kNotEstimable,  // no event compares any two arms; nothing was fitted
  kNotConverged,  // iterations ran out: no coefficients are given
};

const char* ToString(Ties ties);         // "exact", "efron", "breslow"
const char* ToString(FitStatus status);  // "converged", "separated", …

struct CoxOptions {
  Ties ties = Ties::kExact;
  Stratification strata = Stratification::kByBlock;
  // Lin & Wei (1989, JASA 84:1074) errors, score residuals summed by block. Only with kEfron or
  // kBreslow and Stratification::kNone; method `cox_cluster_robust`.
  bool cluster_robust = false;
  double confidence = 0.95;
  int max_iterations = 50;
};

// Index of every vector = arm. Numbers in entries that are not kFinite are 0 and mean nothing.
struct CoxFit {
  FitStatus status = FitStatus::kNotEstimable;
  // Empty when all went as asked; otherwise what did not, in words, with arm numbers.
  std::string reason = {};
  int against = 0;
  std::vector<CoefficientState> state = {};
  std::vector<double> coefficient = {};     // log hazard ratio, arm against `against`
  std::vector<double> standard_error = {};  // scale `log`; model-based, or robust where asked for
  std::vector<Interval> limits = {};        // of the coefficient: ± z · standard_error (Wald)
  std::vector<double> p_value = {};         // Wald, two-sided
  std::vector<double> covariance = {};      // k × k row-major, model-based (inverse information)
  // k × k row-major; present when asked for, status is kConverged and there are enough blocks (at
  // least k) for it to have a value. Asked for and absent: the errors, limits and p-values above
  // are model-based, must not be shown as robust, and `reason` says why.
  std::optional<std::vector<double>> robust_covariance = std::nullopt;

  // Where only two arms are ever compared and the coefficient is infinite, the finite one-sided
  // limit at which the likelihood falls by half the chi-square(1) quantile at `confidence` below
  // its supremum: a lower limit for +∞, an upper limit for −∞ (log hazard ratio). Cox & Oakes 1984,
  // §3.
  std::optional<double> profile_limit = std::nullopt;

  double log_likelihood_null = 0;  // at β = 0
  double log_likelihood = 0;       // at the estimate, or its supremum when kSeparated
  // Tests that no compared arms differ. The Wald test is absent unless kConverged (and robust where
  // robust errors were asked for); all are absent when kNotEstimable or kNotConverged. With kExact,
  // and with any ties where there are none, the score test is the log-rank test.
  std::optional<ChiSquareTest> wald = std::nullopt;
  std::optional<ChiSquareTest> likelihood_ratio = std::nullopt;
  std::optional<ChiSquareTest> score = std::nullopt;

  int iterations = 0;
  std::int64_t units = 0;
  std::int64_t events = 0;
  std::int64_t strata = 0;
  std::int64_t informative_strata = 0;  // those with an event that compares two arms
  std::int64_t blocks = 0;              // blocks seen, whatever the stratification
};

// Fits by Newton–Raphson with step halving on the compositions of the risk sets (how many of each
// arm were at risk and how many had the event), each distinct one counted once, so thousands of
// like blocks cost as much as one. Converged when a full Newton step moves no coefficient by more
// than 1e-9 (1 + |β|); that step is taken, and as convergence is quadratic what is left is
// rounding.
//
// Separation is decided before fitting, exactly, from counts: draw an arrow from a to b when
// somebody in a had the event while somebody in b, at risk, did not (kEfron and kBreslow: was at
// risk). The estimate is finite if and only if arrows lead from every compared arm to every other
// (Ford 1957, Am Math Monthly 64:28, for paired comparisons). Otherwise arms that can reach each
// other are fitted among themselves, which is the limit of the full likelihood.
//
// Exact ties: with p tied events and k arms at risk, a risk set costs O(p k) for k = 2 and
// O(p² k³) beyond, by the recursion of Gail, Lubin & Rubinstein (1981, Biometrika 68:703) taken arm
// by arm rather than unit by unit; never by enumeration. Two arms of any size are therefore linear
// a pass; three or more arms with thousands of ties at one time in one stratum are slow.
//
// INVALID_ARGUMENT as Validate(); `against` outside 0 … arms − 1; confidence outside (0, 1);
// max_iterations below 1; robust errors with exact ties or with strata. Data that cannot be
// estimated are not an error: see `status`. O(n log n + iterations · c k²), c = distinct risk-set
// compositions; memory, measured for two arms and 10⁶ units, 110 bytes a unit at most.
absl::StatusOr<CoxFit> FitCox(const Survival& data, int against, const CoxOptions& options);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_COX_H_
