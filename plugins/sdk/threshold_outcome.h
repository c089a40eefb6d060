#ifndef PLUMULE_PLUGINS_SDK_THRESHOLD_OUTCOME_H_
#define PLUMULE_PLUGINS_SDK_THRESHOLD_OUTCOME_H_

#include <cstdint>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "plugins/sdk/plugin.h"

namespace plumule::sdk {

// One arm, in the protocol's order.
struct Arm {
  std::string id;
  std::string label;
  bool control = false;
};

enum class UnitStatus : std::uint8_t { kReached, kNotReached, kLostBiological, kLostIncidental };

// How each unit of a study fared with one threshold. Index = unit, in the table's order; units for
// which the threshold does not apply or that have no outcome are not here but in `left_out`.
struct ThresholdOutcome {
  std::string threshold;                 // id
  std::vector<Arm> arms;                 // of the protocol
  int control = 0;                       // position of the control
  std::vector<std::string> block_names;  // bytewise order
  std::vector<std::int32_t> arm;         // position in `arms`
  std::vector<std::int32_t> block;       // position in `block_names`
  std::vector<double> lower;             // days; last known not to have reached it
  std::vector<double> upper;             // days; first seen to have; = lower where not reached
  std::vector<UnitStatus> status;
  std::vector<std::uint8_t> in_primary;  // 1: followed the protocol
  std::vector<std::int32_t> row;         // in the table, for its other columns
  // Units without an outcome, by arm: the block of each.
  std::vector<std::vector<std::int32_t>> left_out;

  std::size_t units() const { return arm.size(); }
  // Event time: the day first seen; censoring time: the last day known without it.
  double Day(std::size_t unit) const {
    return status[unit] == UnitStatus::kReached ? upper[unit] : lower[unit];
  }
};

// The outcome that the analysis names (`analysis.threshold`; if that is empty and the table has one
// threshold, that one). INVALID_ARGUMENT, one line a problem, for a missing column, an arm that the
// protocol lacks, no control, and rows that contradict themselves: reached without an upper day, an
// upper day without being reached or before the lower one, a lower day that is negative or missing.
// O(rows log blocks).
absl::StatusOr<ThresholdOutcome> ReadThresholdOutcome(const AnalysisInput& input);

// The units of `outcome` for which `keep` (one entry a unit) is not 0. Arms and blocks keep their
// positions.
ThresholdOutcome Subset(const ThresholdOutcome& outcome, const std::vector<std::uint8_t>& keep);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_THRESHOLD_OUTCOME_H_
