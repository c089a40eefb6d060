#ifndef PLUMULE_PLUGINS_POOLED_EFFECTS_STUDIES_H_
#define PLUMULE_PLUGINS_POOLED_EFFECTS_STUDIES_H_

#include <map>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "plugins/stats/effect_size.h"
#include "plumule/plugin/v1/plugin.pb.h"

namespace plumule::pooled_effects {

// The studies of a synthesis on one scale. Index = study, in the order given.
struct Studies {
  std::vector<std::string> names;
  std::vector<stats::Effect> effects;
  std::vector<std::string> groups;  // empty strings where there are none
  int with_zero_cells = 0;          // computed from counts with one half added
  bool with_moderators = false;

  std::size_t size() const { return names.size(); }
};

// Reads effects, or computes them from counts by the measure. INVALID_ARGUMENT, one line a problem
// and at most 20: no study, repeated or empty names, neither or both of effect and counts, numbers
// that are not finite, variances not above 0, impossible counts, a measure that counts can't give.
absl::StatusOr<Studies> ReadStudies(const plugin::v1::SynthesizeRequest& request);

// Positions of the studies of each group, by name; empty if fewer than two groups are named.
std::map<std::string, std::vector<std::size_t>> Groups(const Studies& studies);

// The effects at some positions.
std::vector<stats::Effect> At(const Studies& studies, const std::vector<std::size_t>& positions);

}  // namespace plumule::pooled_effects

#endif  // PLUMULE_PLUGINS_POOLED_EFFECTS_STUDIES_H_
