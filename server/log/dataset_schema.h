// Which columns a study's tables have, by the newest revision of its protocol.
#pragma once

#include <vector>

#include "plumule/analysis/v1/dataset.pb.h"
#include "server/protocol/compiled_protocol.h"

namespace plumule::log {

// One table's columns and where their values come from.
struct TableColumns {
  analysis::v1::DatasetSchema schema;
  // Handles of the variables shown, in the protocol's order.
  std::vector<int> variables;
  // Dose of each arm by handle, in `schema.dose_unit`; empty if no arm has a dose.
  std::vector<double> doses;
};

// block, unit, arm, dose, in_primary, the variables of grower, block and unit scope, and three
// columns a threshold. `schema.rows` is 0.
//
// Left out: variables that only organizers may see, and pictures. A choice of several is one code:
// its codes joined by `+`; words given beside the options are not shown, the code `other` stands for
// them.
TableColumns UnitColumns(const protocol::CompiledProtocol& protocol);

// block, unit, day, and the variables of observation scope.
TableColumns LookColumns(const protocol::CompiledProtocol& protocol);

}  // namespace plumule::log
