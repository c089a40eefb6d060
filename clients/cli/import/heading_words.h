#pragma once

#include <initializer_list>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "absl/strings/string_view.h"

namespace plumule::cli {

// The words of a heading, an id or a label, for comparing them: lower case, without punctuation.
// "Control start (day)" and "control_start_day" have the same.
std::vector<std::string> WordsOf(absl::string_view text);

// Whether any of `words` is in `known`.
bool HasAny(const std::vector<std::string>& words, std::initializer_list<absl::string_view> known);

// Whether `part` stands in `words` as a run of neighbours.
bool HasRun(const std::vector<std::string>& words, const std::vector<std::string>& part);

// `words` without the first run `part`.
std::vector<std::string> Without(std::vector<std::string> words,
                                 const std::vector<std::string>& part);

// UCUM code of a unit named in a heading ("height (cm)", "length in inches", "temp °F"); "" if none
// is. The words that name it are taken out of `*rest`.
std::string UnitInHeading(absl::string_view heading, std::vector<std::string>* rest);

// A measure named in a heading: "Shoot 5 cm on" and "shoot_50mm_day" hold one.
struct HeadingQuantity {
  double value = 0;
  std::string unit;  // UCUM code
};
std::optional<HeadingQuantity> QuantityInHeading(absl::string_view heading);

// An id made of words: "potting_mix".
std::string IdOf(const std::vector<std::string>& words);

}  // namespace plumule::cli
