#ifndef PLUMULE_PLUGINS_TIME_TO_THRESHOLD_PLAN_H_
#define PLUMULE_PLUGINS_TIME_TO_THRESHOLD_PLAN_H_

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "plugins/sdk/plugin.h"
#include "plugins/sdk/result_builder.h"
#include "plugins/stats/survival_plan.h"
#include "plugins/stats/survival_simulation.h"
#include "plugins/time-to-threshold/plan_question.h"

namespace plumule::time_to_threshold {

// How many blocks a study needs, or what a number of blocks can show: by formula, and by simulating
// the study as its protocol describes it. README.md, "Planning", says what is given. A study that
// can show nothing is answered with a result that says why; INVALID_ARGUMENT, one line a problem,
// is for what the organizer must mend. A few simulations of `replicates` studies: seconds.
absl::StatusOr<analysis::v1::Result> Plan(const plugin::v1::Manifest& manifest,
                                          const plugin::v1::PlanRequest& request,
                                          const sdk::Progress& progress);

// --- the parts ---

// A number of blocks and what simulated studies of it found.
struct SimulatedBlocks {
  std::int64_t blocks = 0;
  stats::Simulation found;
};

// The study under other suppositions; the first ones are those of another effect.
inline constexpr std::size_t kEffectsAsked = 2;
struct WhatIf {
  std::string words;  // "the effect is half as large"
  std::optional<double> blocks_needed;
  std::optional<double> power;  // with the blocks of the plan
};

// Everything that is known of the study before its words are made.
struct PlanNumbers {
  stats::ExpectedDesign expected;
  std::int64_t blocks = 0;                 // at issue: given, or found
  std::optional<double> formula_blocks;    // for the wanted power
  std::optional<double> simulated_blocks;  // the same by simulation
  std::vector<SimulatedBlocks> simulated;  // ascending in blocks; may be empty
  std::optional<double> detectable_days;   // sooner, by the median
  std::vector<WhatIf> what_if;

  // Of `blocks`, or null.
  const stats::Simulation* at_issue() const;
};

// plan_numbers.cc: formula and simulation. Reports progress; warns of what was left out.
absl::StatusOr<PlanNumbers> WorkOut(const PlanQuestion& question, const sdk::Progress& progress,
                                    sdk::ResultBuilder& builder);

// plan_words.cc: findings, assumptions and method, from estimates that are in the builder by `ids`.
struct PlanIds {
  std::string power, blocks_for_power, formula_blocks, effect, width, detectable;
};
void SayPlan(const PlanQuestion& question, const PlanNumbers& numbers, const PlanIds& ids,
             sdk::ResultBuilder& builder);

}  // namespace plumule::time_to_threshold

#endif  // PLUMULE_PLUGINS_TIME_TO_THRESHOLD_PLAN_H_
