#ifndef PLUMULE_PLUGINS_SUCCESS_SHARE_SUCCESS_SHARE_H_
#define PLUMULE_PLUGINS_SUCCESS_SHARE_SUCCESS_SHARE_H_

#include <vector>

#include "absl/status/statusor.h"
#include "plugins/sdk/plugin.h"

namespace plumule::success_share {

// How many units reach a threshold by the close, or by a day: README.md says what is estimated.
// Degenerate data are answered with a result that says what can't be told and why; an error means a
// table or parameters that the user must mend (INVALID_ARGUMENT, one line a problem). O(n log n).
absl::StatusOr<analysis::v1::Result> Analyze(const plugin::v1::Manifest& manifest,
                                             const sdk::AnalysisInput& input,
                                             const sdk::Progress& progress);

std::vector<study::v1::Problem> CheckProtocol(const study::v1::Protocol& protocol,
                                              const study::v1::Analysis& analysis);

}  // namespace plumule::success_share

#endif  // PLUMULE_PLUGINS_SUCCESS_SHARE_SUCCESS_SHARE_H_
