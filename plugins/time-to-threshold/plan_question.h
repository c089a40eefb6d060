#ifndef PLUMULE_PLUGINS_TIME_TO_THRESHOLD_PLAN_QUESTION_H_
#define PLUMULE_PLUGINS_TIME_TO_THRESHOLD_PLAN_QUESTION_H_

#include <cstdint>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "plugins/sdk/words.h"
#include "plugins/stats/survival_plan.h"
#include "plumule/plugin/v1/plugin.pb.h"

namespace plumule::time_to_threshold {

// How a study is expected to go, in the words of growers; README.md says what each means and what
// is supposed where nothing is stated.
struct Expectations {
  double control_days = 0;         // half of the control units that make it have by then
  double late_days = 0;            // nine of ten of them have by then
  double sooner_days = 0;          // the treatment brings that half sooner by; below 0: later
  double never_share = 0;          // of control units, however long they are followed
  double treated_never_share = 0;  // of treated ones
  double grower_days = 0;          // standard deviation between growers of their typical day
  double lost_share = 0;           // lost by accident before the horizon
  double silent_share = 0;         // blocks of which nothing is heard after the start
  int units_per_arm = 1;
  double look_days = 1;
  double shortest_follow_up = 0;
  double longest_follow_up = 0;
  double horizon = 0;
};

// One expectation in words, and where it is from: "Stated.", "From the protocol.", or what was
// supposed because nothing was stated.
struct Supposition {
  std::string what;
  std::string origin;
};

struct PlanQuestion {
  Expectations expected;
  std::vector<Supposition> suppositions;
  int comparisons = 1;  // treatments, each compared with the control
  double level = 0.95;  // of confidence
  double alpha = 0.05;  // of each comparison: Bonferroni over `comparisons`
  double power = 0.8;
  std::int64_t blocks = 0;  // 0: as many as `power` needs
  int replicates = 1000;
  std::int64_t seed = 0;
  std::string control;    // labels
  std::string treatment;  // of the one treatment, or "a treatment"
  sdk::Noun noun;
  std::string threshold_label;
};

// Reads definition, analysis and expectations. INVALID_ARGUMENT, one line a problem, for what the
// organizer must mend: an expectation that contradicts another, no effect to plan for, a calendar
// without room.
absl::StatusOr<PlanQuestion> AskPlanQuestion(const plugin::v1::Manifest& manifest,
                                             const plugin::v1::PlanRequest& request);

// The model of plumule::stats that goes as expected: Weibull times whose median is `control_days`
// and whose ninth decile is `late_days`, a hazard ratio that moves the median by `sooner_days`, and
// gamma frailties whose blocks' log medians have the standard deviation `grower_days` ÷
// `control_days`.
stats::SurvivalDesign DesignOf(const Expectations& expected);

// Days by which a hazard ratio moves the median of those that make it; above 0 is sooner.
double SoonerDays(const Expectations& expected, double hazard_ratio);

}  // namespace plumule::time_to_threshold

#endif  // PLUMULE_PLUGINS_TIME_TO_THRESHOLD_PLAN_QUESTION_H_
