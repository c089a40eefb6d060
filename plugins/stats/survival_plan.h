#ifndef PLUMULE_PLUGINS_STATS_SURVIVAL_PLAN_H_
#define PLUMULE_PLUGINS_STATS_SURVIVAL_PLAN_H_

#include <cstdint>
#include <optional>
#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"

namespace plumule::stats {

// A study of one treatment beside a control as it is expected to go.
//
// Blocks are alike and independent. A unit of a block with frailty Z that can reach the threshold
// at all has not done so by day t with probability exp(−Z r log 2 (t / control_median)^shape),
// r = 1 in control and hazard_ratio under treatment; given Z, units are independent. Whether a unit
// can reach it is independent of everything else.
//
// Days are counted by looks: a crossing is seen at the first look at or after it; a unit that is
// lost, or whose block closes, is known not to have been seen across at the last look before.
struct SurvivalDesign {
  double control_median =
      0;                    // days; of units that can reach the threshold, in a block of frailty 1
  double hazard_ratio = 1;  // treatment ÷ control within a block; above 1 is sooner
  double shape = 1;         // Weibull shape of the time
  // Shares that never reach it however long they are followed.
  double control_never = 0;
  double treatment_never = 0;
  double block_variance = 0;  // of the gamma frailty (mean 1) shared by a block; 0: blocks alike
  double loss_share = 0;      // of units lost by day `horizon`: exponential, independent of growth
  double block_loss_share = 0;  // of blocks from which nothing comes after the start
  int units_per_arm = 1;        // in a block
  // Days from a block's start (all its units on one day) to closing: uniform between.
  double shortest_follow_up = 0;
  double longest_follow_up = 0;
  double look_days = 0;  // days between looks; 0: seen the very day, days being whole, so as 1
  double horizon = 0;    // τ of the restricted mean, days
};

inline constexpr int kMaxUnitsPerArm = 50;  // work grows with its cube
inline constexpr int kMaxLooks = 2000;      // until the longest follow-up ends
inline constexpr double kLeastHazardRatio = 0.001;
inline constexpr double kMostHazardRatio = 1000;

// OK, or INVALID_ARGUMENT naming the field and what it must be: times positive and finite with
// shortest ≤ longest follow-up and horizon ≤ longest follow-up; hazard_ratio in [0.001, 1000];
// shape in [0.1, 20]; never shares in [0, 1], losses in [0, 1); block_variance in [0, 4]. O(1).
absl::Status Validate(const SurvivalDesign& design);

double LookInterval(const SurvivalDesign& design);  // days between looks, with 0 read as 1
double LossRate(const SurvivalDesign& design);      // of losing a unit, a day

// An arm as the study will see it.
struct ExpectedArm {
  double restricted_mean = 0;  // days to `horizon`, of the days on which crossings are seen
  double reached = 0;          // share seen across by `horizon`, had nobody been lost
  double events = 0;           // crossings seen, of a block that is started, up to its closing
};

// What a study will see, and what a block adds to knowing it. Blocks that fall out count: every
// figure "of a block" is of one that is started.
struct ExpectedDesign {
  ExpectedArm control = {};
  ExpectedArm treatment = {};
  double difference = 0;  // restricted means, treatment − control: below 0 is sooner
  // Variance of the estimated difference with cluster-robust errors, times the number of blocks.
  double difference_variance = 0;
  // Of the log-rank test by block, of a block: mean and variance of observed − expected events
  // under treatment (a positive mean is sooner), and the mean of its hypergeometric variance. Near
  // hazard_ratio 1 the mean is log hazard_ratio × information: a quarter of the pairs of which one
  // is seen to cross before the other, for one unit an arm.
  double log_rank_mean = 0;
  double log_rank_variance = 0;
  double log_rank_information = 0;
};

// Exact for the model above, by sums over looks, but for an integral over the frailty by the
// trapezoidal rule in log Z (12 digits).
//  * Restricted means are those of the marginal curves (gamma frailty: Laplace transform).
//  * The variance is that of the block sums of influences (Andersen, Hansen & Klein 2004, Lifetime
//    Data Anal 10:335): the asymptotic variance of each arm's product-limit integral, plus the
//    covariance of units of one block through their frailty.
//  * Log-rank moments follow the number at risk in each arm of a block from look to look
//    (a Markov chain given Z). Mean and information are Schoenfeld's (1981, Biometrika 68:316;
//    1983, Biometrics 39:499) without his approximations for small effects and many at risk.
// INVALID_ARGUMENT as Validate(). O(looks · units_per_arm³), times about 100 with frailty.
absl::StatusOr<ExpectedDesign> Expect(const SurvivalDesign& design);

enum class PlannedTest {
  kRestrictedMeanDifference,  // CompareRestrictedMeans(), ErrorModel::kClusterRobust
  kLogRankByBlock,            // TestLogRank(), Stratification::kByBlock
};

// A figure of a plan, or words on why there is none.
struct PlannedFigure {
  std::optional<double> value = std::nullopt;
  std::string reason = {};  // empty where there is a value
};

// All below: `alpha` is two-sided, in (0, 1); power is the chance of a p-value below it, whichever
// arm is ahead. Normal approximations: good from about 30 blocks on. INVALID_ARGUMENT names an
// argument out of range. Absent where the study can see nothing to compare.

// Power with `blocks` ≥ 1 blocks started. O(1).
absl::StatusOr<PlannedFigure> PowerWith(const ExpectedDesign& expected, PlannedTest test,
                                        std::int64_t blocks, double alpha = 0.05);

// Fewest whole blocks to start for a power in (alpha, 1). Absent when the expected effect is nil,
// or when it takes more than kMaxBlocks.
inline constexpr std::int64_t kMaxBlocks = 1'000'000'000;
absl::StatusOr<PlannedFigure> BlocksFor(const ExpectedDesign& expected, PlannedTest test,
                                        double power, double alpha = 0.05);

// Width of the interval of confidence 1 − alpha that `blocks` blocks lead to: days of difference,
// or, for the log-rank test, of the log hazard ratio estimated in one step as (observed − expected)
// ÷ variance (Yusuf et al. 1985, Prog Cardiovasc Dis 27:335). O(1).
absl::StatusOr<PlannedFigure> IntervalWidthWith(const ExpectedDesign& expected, PlannedTest test,
                                                std::int64_t blocks, double alpha = 0.05);

// Smallest hazard ratio above 1 (treatment sooner; no ratio below 1 is sought) that `blocks` blocks
// find to be sooner with `power`, all else as in `design`, whose own ratio is ignored; 6 digits.
// Absent when even the largest ratio of Validate() falls short. About 30 times Expect().
absl::StatusOr<PlannedFigure> SmallestHazardRatio(const SurvivalDesign& design, PlannedTest test,
                                                  std::int64_t blocks, double power,
                                                  double alpha = 0.05);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_SURVIVAL_PLAN_H_
