#pragma once

#include <string>
#include <vector>

#include "plumule/study/v1/study_service.pb.h"

namespace plumule::cli {

// Problems of a definition for a terminal: what stops it first, then advice, each with its place,
// why it matters and what to do; a summary last.
std::string ProblemText(const std::vector<study::v1::Problem>& problems);

}  // namespace plumule::cli
