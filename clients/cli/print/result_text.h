#pragma once

#include <string>

#include "plumule/analysis/v1/result.pb.h"

namespace plumule::cli {

// A result for a terminal of 80 columns: what was found first, then the effects with their
// intervals, tests, the flow of units, assumptions and warnings.
std::string ResultText(const analysis::v1::Result& result);

// `text` in lines of at most 80 columns, each after `indent` spaces. Counts characters, not bytes.
std::string Wrapped(const std::string& text, int indent);

}  // namespace plumule::cli
