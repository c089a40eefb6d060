#ifndef PLUMULE_PLUGINS_TIME_TO_THRESHOLD_TIME_TO_THRESHOLD_H_
#define PLUMULE_PLUGINS_TIME_TO_THRESHOLD_TIME_TO_THRESHOLD_H_

#include <vector>

#include "absl/status/statusor.h"
#include "plugins/sdk/plugin.h"

namespace plumule::time_to_threshold {

// How soon units reach a threshold, and how many do at all: README.md says what is estimated.
// Degenerate data are answered with a result that says what can't be told and why; an error means a
// table or parameters that the user must mend (INVALID_ARGUMENT, one line a problem).
// O(n log n) in units, a few dozen passes; 200,000 units take about a second.
absl::StatusOr<analysis::v1::Result> Analyze(const plugin::v1::Manifest& manifest,
                                             const sdk::AnalysisInput& input,
                                             const sdk::Progress& progress);

std::vector<study::v1::Problem> CheckProtocol(const study::v1::Protocol& protocol,
                                              const study::v1::Analysis& analysis);

}  // namespace plumule::time_to_threshold

#endif  // PLUMULE_PLUGINS_TIME_TO_THRESHOLD_TIME_TO_THRESHOLD_H_
