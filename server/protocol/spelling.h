// Quoting and guessing what people meant, for messages.
#pragma once

#include <string>
#include <vector>

#include "absl/strings/string_view.h"
#include "absl/types/span.h"

namespace plumule::protocol {

// `text` in double quotes, cut to 64 bytes at a character's boundary, control characters replaced.
std::string Quote(absl::string_view text);

// Fewest insertions, deletions, substitutions and swaps of neighbors that turn `a` into `b`
// (optimal string alignment). Case-insensitive. O(|a|·|b|); texts above 64 bytes are cut.
int EditDistance(absl::string_view a, absl::string_view b);

// Members of `known` that `wrong` is likely a misspelling of, nearest first, at most `most`. Only
// the first 500 are compared.
std::vector<absl::string_view> Nearest(absl::string_view wrong,
                                       absl::Span<const absl::string_view> known, size_t most = 3);

// `did you mean "shoot_length"?`, or else `known: a, b, c` (at most 12 are listed), or else
// `otherwise` if nothing is known. For remedies.
std::string Suggest(absl::string_view wrong, absl::Span<const absl::string_view> known,
                    absl::string_view otherwise);

// Number of Unicode code points in `text`, which is UTF-8.
size_t CountCharacters(absl::string_view text);

}  // namespace plumule::protocol
