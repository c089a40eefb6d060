#ifndef PLUMULE_PLUGINS_SDK_PROTOCOL_CHECKS_H_
#define PLUMULE_PLUGINS_SDK_PROTOCOL_CHECKS_H_

#include <vector>

#include "absl/strings/string_view.h"
#include "plumule/study/v1/protocol.pb.h"
#include "plumule/study/v1/study_service.pb.h"

namespace plumule::sdk {

// Problems and advice of an analysis that compares arms over a threshold. `margin_unit` is the UCUM
// unit in which its margin must be given. Reasons: `threshold_missing`, `threshold_unknown`,
// `threshold_not_for_every_arm` (advice), `margin_unit`, `margin_not_positive`, `margin_missing`
// (advice), `subgroup_unknown`, `subgroup_without_levels`, `variable_not_used` (advice).
std::vector<study::v1::Problem> CheckThresholdAnalysis(const study::v1::Protocol& protocol,
                                                       const study::v1::Analysis& analysis,
                                                       absl::string_view margin_unit);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_PROTOCOL_CHECKS_H_
