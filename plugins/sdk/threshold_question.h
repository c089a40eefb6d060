#ifndef PLUMULE_PLUGINS_SDK_THRESHOLD_QUESTION_H_
#define PLUMULE_PLUGINS_SDK_THRESHOLD_QUESTION_H_

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "plugins/sdk/parameters.h"
#include "plugins/sdk/plugin.h"
#include "plugins/sdk/study_design.h"
#include "plugins/sdk/threshold_outcome.h"
#include "plugins/sdk/words.h"

namespace plumule::sdk {

// What an analysis of a threshold asks of which units, worked out once from setup and table.
struct ThresholdQuestion {
  Parameters parameters;
  ThresholdOutcome all;          // every unit with an outcome
  ThresholdOutcome analyzed;     // those of the analysis set
  BlockLayout layout;            // of `analyzed`
  std::string set;               // `all_started` or `followed_protocol`
  double level = 0.95;           // of confidence
  std::optional<double> margin;  // in the unit asked for
  Noun noun;
  std::string threshold_label;
  std::vector<int> treatments;  // arms other than the control that have units in `analyzed`
  bool control_has_units = false;

  int control() const { return analyzed.control; }
  const Arm& arm(int position) const { return analyzed.arms[static_cast<std::size_t>(position)]; }
  std::string Quoted(int position) const { return sdk::Quoted(arm(position).label); }
};

// INVALID_ARGUMENT, one line a problem, for parameters, margin, level or table that the user must
// mend. O(rows log blocks).
absl::StatusOr<ThresholdQuestion> AskThresholdQuestion(const plugin::v1::Manifest& manifest,
                                                       const AnalysisInput& input,
                                                       absl::string_view margin_unit);

// The units of one level of a subgroup variable.
struct SubgroupLevel {
  std::string name;                // "variable=code"
  std::vector<std::uint8_t> keep;  // one entry a unit of `analyzed`
};

// The levels of a code or yes-no column by code; units without an answer are in none.
// INVALID_ARGUMENT for a missing column, one of another type or more than 50 levels.
absl::StatusOr<std::vector<SubgroupLevel>> ReadSubgroups(const ThresholdOutcome& analyzed,
                                                         const UnitTable& table,
                                                         const std::string& variable);

// What all estimates of an analysis share, filled in.
analysis::v1::Estimate MakeEstimate(const ThresholdQuestion& question, absl::string_view measure,
                                    absl::string_view method, analysis::v1::Standing standing);

// A test of `arm` against the control; of all arms together where `arm` is −1.
analysis::v1::Test MakeTest(const ThresholdQuestion& question, absl::string_view name,
                            absl::string_view method, int arm, analysis::v1::Standing standing);

// Doubles the dollar signs of words that go into a template of ResultBuilder::Say().
std::string Escaped(absl::string_view words);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_THRESHOLD_QUESTION_H_
