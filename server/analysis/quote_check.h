// Whether a number in a sentence is the number that it quotes.
#pragma once

#include <string>

#include "absl/strings/string_view.h"

namespace plumule::analysis {

// True if `shown` stands in `text` and is no part of a longer number there.
bool StandsAsNumberIn(absl::string_view shown, absl::string_view text);

// What is wrong with `shown` as a rounding of value × factor, by the rule of Quote in result.proto;
// empty if it agrees. `decimals` is 0 to 6, `factor` 0 means 1.
std::string QuoteDisagreement(absl::string_view shown, double value, double factor, int decimals,
                              bool absolute);

}  // namespace plumule::analysis
