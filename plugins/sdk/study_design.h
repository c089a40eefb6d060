#ifndef PLUMULE_PLUGINS_SDK_STUDY_DESIGN_H_
#define PLUMULE_PLUGINS_SDK_STUDY_DESIGN_H_

#include <cstdint>
#include <string>
#include <vector>

#include "plugins/sdk/result_builder.h"
#include "plugins/sdk/threshold_outcome.h"
#include "plumule/plugin/v1/plugin.pb.h"

namespace plumule::sdk {

// What every comparison of arms over a threshold says of its study, written once.

// How the arms of a study lie in its blocks. Index = position of the arm, where there is one.
struct BlockLayout {
  std::int64_t blocks = 0;           // with a unit in any arm
  std::int64_t with_every_arm = 0;   // with a unit of each arm that has units at all
  std::vector<std::int64_t> units;   // by arm
  std::vector<std::int64_t> by_arm;  // blocks with a unit of the arm
  // Blocks of exactly one unit of each arm that has units, and no other.
  std::int64_t single_units = 0;
};

// O(units + blocks × arms).
BlockLayout MeasureLayout(const ThresholdOutcome& outcome);

// Flow of growers, blocks and units, with the items that the flow diagram of CONSORT 2025 asks for:
// what happened before there were units (`counts`, if any), units left out and by what, departures
// from rules, how each arm's units ended, and how many were analyzed. `all` is
// every unit with an outcome, `analyzed` those of the analysis set.
void AddFlow(const plugin::v1::StudyCounts& counts, const ThresholdOutcome& all,
             const ThresholdOutcome& analyzed, ResultBuilder& builder);

// Assumptions: who allocated the arms, and whether blocks hold every arm side by side. Warns
// `blocks_not_side_by_side`, `one_block` and `few_blocks`.
void AddDesignAssumptions(const study::v1::Protocol& protocol, const BlockLayout& layout,
                          ResultBuilder& builder);

// Assumption: units lost before the end would have fared like the others.
void AddLossAssumption(const ThresholdOutcome& analyzed, absl::string_view consequence,
                       ResultBuilder& builder);

// "Holm's method over k comparisons with the control."
std::string MultiplicityWords(int comparisons);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_STUDY_DESIGN_H_
