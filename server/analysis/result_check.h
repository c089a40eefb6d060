// Whether a result may be stored and shown: every rule that result.proto states.
#pragma once

#include <string>
#include <vector>

#include "plumule/analysis/v1/result.pb.h"

namespace plumule::analysis {

// The rules that `result` breaks, each with its place (`estimates[2].lower`), what is wrong, and
// what it should be; empty if it is fine. At most the first 20, then one line that says how many
// more. Linear in the size of the result.
std::vector<std::string> ResultViolations(const v1::Result& result);

}  // namespace plumule::analysis
