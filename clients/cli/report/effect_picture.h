#pragma once

#include <functional>
#include <string>
#include <vector>

#include "plumule/analysis/v1/result.pb.h"
#include "plumule/study/v1/value.pb.h"

namespace plumule::cli {

// Gives an arm's label for its id.
using ArmLabel = std::function<std::string(const std::string& id)>;

// The comparisons among `estimates` drawn as points with intervals on one scale, as HTML that needs
// no script: those that share measure and unit with the first. "" if there is none with a value and
// a limit. `margin` (may be null) is drawn as the band of differences that do not matter, where its
// unit is the estimates'.
std::string EffectPicture(const std::vector<const analysis::v1::Estimate*>& estimates,
                          const study::v1::Quantity* margin, const ArmLabel& label);

}  // namespace plumule::cli
