// Whether a new revision leaves what was recorded under earlier ones meaningful.
#pragma once

#include <vector>

#include "plumule/study/v1/protocol.pb.h"
#include "server/protocol/reason.h"

namespace plumule::intake {

// Changes from `before` to `after` that would make earlier records meaningless, one violation each:
// arms, variables, thresholds and causes of loss must stay what they were; new ones may come.
std::vector<FieldViolation> IncompatibleChanges(const study::v1::Protocol& before,
                                                const study::v1::Protocol& after);

}  // namespace plumule::intake
