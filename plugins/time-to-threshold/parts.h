#ifndef PLUMULE_PLUGINS_TIME_TO_THRESHOLD_PARTS_H_
#define PLUMULE_PLUGINS_TIME_TO_THRESHOLD_PARTS_H_

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "plugins/stats/chi_square_test.h"
#include "plugins/stats/kaplan_meier.h"
#include "plugins/stats/restricted_mean.h"
#include "plugins/time-to-threshold/question.h"

namespace plumule::time_to_threshold {

// The parts of a result. Each adds its estimates, tests, tables or figures to the builder, warns of
// what it can't give, and returns what words and figures need. Errors are those of plumule::stats
// for arguments that AskQuestion() has checked: they mean a defect of this plugin.

// --- descriptions.cc: each arm by itself ---

// Ids by arm; empty where the arm has no units.
struct ArmDescriptions {
  std::vector<std::string> reached_by_horizon;
  std::vector<std::string> median;
};

absl::StatusOr<ArmDescriptions> DescribeArms(const Question& question,
                                             const std::vector<stats::KaplanMeierCurve>& curves,
                                             sdk::ResultBuilder& builder);

// The horizon and its quarters, on whole days where there are enough of them, and the day asked
// for: at these shares reached are stated, and for these shares days.
std::vector<double> DaysToReport(const Question& question);
inline constexpr std::array<double, 3> kSharesToReport = {0.25, 0.5, 0.75};

// A share reached by the horizon or another day, however it was estimated.
struct ReachedShare {
  double share = 0;
  double standard_error = 0;  // linear scale; shown with limits only
  std::optional<stats::Interval> limits;
  bool past_follow_up = false;  // then the share is not stated, and a warning says why
};

// Completes `estimate`, which says of which arm, at which day and how, and adds it; returns its id.
std::string AddReachedShare(const Question& question, int arm, const ReachedShare& reached,
                            analysis::v1::Estimate estimate, sdk::ResultBuilder& builder);

// The same for the day by which a share had reached it, absent where so many never did; limits, if
// any, are in `estimate`.
std::string AddQuantileDays(const Question& question, int arm, std::optional<double> days,
                            analysis::v1::Estimate estimate, sdk::ResultBuilder& builder);

// Table `curves`: the share reached by day, at most 400 rows an arm.
void AddCurveTable(const Question& question, const std::vector<stats::KaplanMeierCurve>& curves,
                   sdk::ResultBuilder& builder);

// --- differences.cc: restricted means, arm against control ---

// Which units, timed how, with which errors.
struct DifferencePlan {
  std::string method;  // "cluster_robust", …
  std::string set;
  std::string subgroup;
  stats::ErrorModel errors = stats::ErrorModel::kClusterRobust;
  analysis::v1::Standing standing = analysis::v1::STANDING_SECONDARY;
  bool with_ratio = false;
};

struct Difference {
  int arm = 0;
  std::string id;
  std::string label;            // in the figure
  std::optional<double> value;  // days, arm − control
  std::optional<double> lower;
  std::optional<double> upper;
  std::optional<double> variance;
  std::optional<double> p_value;
  std::int64_t blocks = 0;
};

// One difference an arm of `question.treatments`, in that order.
absl::StatusOr<std::vector<Difference>> CompareMeans(const Question& question,
                                                     const SurvivalRows& rows,
                                                     const DifferencePlan& plan,
                                                     sdk::ResultBuilder& builder);

// Tests of the primary differences, with Holm's correction for several arms, and the effects for
// pooling.
void AddDifferenceTests(const Question& question, const std::vector<Difference>& primary,
                        sdk::ResultBuilder& builder);

// The primary differences again under other assumptions, each set of units that makes sense here.
// `finishers` holds those of finishers only once more.
struct Sensitivity {
  std::vector<Difference> differences;
  std::vector<Difference> finishers;
};
absl::StatusOr<Sensitivity> AddSensitivity(const Question& question, sdk::ResultBuilder& builder);

// --- subgroups.cc ---

// The primary difference within the levels of the declared subgroup variables, and for each
// variable and arm the test `interaction` of whether it is the same in all of them, with a sentence
// on each variable; several tests are corrected by Benjamini and Hochberg.
struct Interaction {
  std::string variable;
  int arm = 0;
  std::string id;  // of the test that words quote
  double p_value = 1;
};
struct Subgroups {
  std::vector<Difference> differences;
  std::vector<Interaction> interactions;
};
absl::StatusOr<Subgroups> AddSubgroups(const Question& question, const sdk::AnalysisInput& input,
                                       sdk::ResultBuilder& builder);
void SaySubgroups(const Question& question, const Subgroups& subgroups,
                  sdk::ResultBuilder& builder);

// --- leave_one_out.cc ---

// The lowest and the highest primary difference when each block in turn is left out; warns
// `one_block_decides` where that changes the words.
absl::Status AddLeaveOneBlockOut(const Question& question, const SurvivalRows& rows,
                                 const std::vector<Difference>& primary,
                                 sdk::ResultBuilder& builder);

// --- several_arms.cc ---

// The primary differences with limits (`cluster_robust_single_step`) and p-values
// (`normal_single_step`) that hold for all of them together; nothing for fewer than two.
absl::Status AddSingleStep(const Question& question, const SurvivalRows& rows,
                           const std::vector<Difference>& primary, sdk::ResultBuilder& builder);

// --- randomization.cc ---

// Test `randomization_within_block` of each arm against the control: exchanges arms within blocks
// and looks how often the difference of mean days comes out as large as it did (scores of both
// arms' pooled curve, so censoring counts). Left out where growers chose the arms themselves.
absl::Status AddRandomizationTests(const Question& question, const sdk::AnalysisInput& input,
                                   const SurvivalRows& rows, sdk::ResultBuilder& builder);

// --- time_ratios.cc ---

// `time_ratio` by the accelerated failure model that `time_model` names, from the looks between
// which each unit reached the threshold; table `time_models` with the AIC of all three.
absl::Status AddTimeRatios(const Question& question, const SurvivalRows& rows,
                           sdk::ResultBuilder& builder);

// --- competing.cc ---

// `reached_by` by `aalen_johansen` at the horizon, each arm by itself, where any unit was lost to a
// biological cause: those count as never reaching the threshold, where the product-limit estimate
// takes them to have been as likely to as the rest.
absl::Status AddCompetingShares(const Question& question, sdk::ResultBuilder& builder);

// --- between_looks.cc ---

// `reached_by` and `days_to_quantile` by `turnbull`, each arm by itself, where any unit reached the
// threshold between two looks: mass is placed by likelihood, not on the day first seen.
absl::Status AddSharesBetweenLooks(const Question& question, sdk::ResultBuilder& builder);

// --- hazards.cc, rank_tests.cc, hazard_drift.cc: rates, ranks and who was first ---

// Degrees of freedom, statistic and p-value of `found`; without a p-value the degrees of freedom
// alone, and false: the test then needs a reason.
bool SetFigures(const stats::ChiSquareTest& found, analysis::v1::Test* test);

absl::Status AddHazardRatios(const Question& question, const SurvivalRows& rows,
                             sdk::ResultBuilder& builder);
absl::Status AddLogRankTests(const Question& question, const SurvivalRows& rows,
                             sdk::ResultBuilder& builder);
// Tests `peto_peto` and, where every arm has a dose of one unit, `trend` over the doses by block.
absl::Status AddWeightedTests(const Question& question, const study::v1::Protocol& protocol,
                              const SurvivalRows& rows, sdk::ResultBuilder& builder);
// Tests `proportional_hazards`, for the model by block and for the one over all blocks, and the
// assumption with its verdict: the model by block decides, else the other.
absl::Status CheckProportionalHazards(const Question& question, const SurvivalRows& rows,
                                      sdk::ResultBuilder& builder);
absl::Status AddFirstInBlock(const Question& question, const SurvivalRows& rows,
                             sdk::ResultBuilder& builder);

// --- figures.cc ---

void AddReachedFigure(const Question& question, const std::vector<stats::KaplanMeierCurve>& curves,
                      sdk::ResultBuilder& builder);
void AddDifferenceFigure(const Question& question, const std::vector<Difference>& differences,
                         sdk::ResultBuilder& builder);

// --- within_blocks.cc ---

// Figure of the difference in each block; left out where no block shows one.
void AddWithinBlockFigure(const Question& question, sdk::ResultBuilder& builder);

// --- looks.cc ---

// Figure of what looks more than a day apart leave open about the curves, of which `latest` are
// those by the day first seen; left out where looks lay no farther apart.
absl::Status AddLookFigure(const Question& question,
                           const std::vector<stats::KaplanMeierCurve>& latest,
                           sdk::ResultBuilder& builder);

// --- findings.cc: words ---

// What the differences say, arm by arm, and what lies behind them.
void SayFindings(const Question& question, const std::vector<Difference>& primary,
                 const ArmDescriptions& arms, const Sensitivity& sensitivity,
                 sdk::ResultBuilder& builder);

// Assumptions of the method and the paragraph for a paper, with its sources.
void AddMethod(const Question& question, const study::v1::Protocol& protocol,
               sdk::ResultBuilder& builder);

}  // namespace plumule::time_to_threshold

#endif  // PLUMULE_PLUGINS_TIME_TO_THRESHOLD_PARTS_H_
