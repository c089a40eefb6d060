#ifndef PLUMULE_PLUGINS_POOLED_EFFECTS_POOLED_EFFECTS_H_
#define PLUMULE_PLUGINS_POOLED_EFFECTS_POOLED_EFFECTS_H_

#include "absl/status/statusor.h"
#include "plugins/sdk/plugin.h"

namespace plumule::pooled_effects {

// Pools studies: README.md says what is estimated. One study and two are answered with words on
// what they can't tell. INVALID_ARGUMENT, one line a problem, for parameters, measure or studies
// that the user must mend. O(k) for k studies, O(k²) for leave-one-out, which is left out above
// 200.
absl::StatusOr<analysis::v1::Result> Synthesize(const plugin::v1::Manifest& manifest,
                                                const plugin::v1::SynthesizeRequest& request,
                                                const sdk::Progress& progress);

}  // namespace plumule::pooled_effects

#endif  // PLUMULE_PLUGINS_POOLED_EFFECTS_POOLED_EFFECTS_H_
