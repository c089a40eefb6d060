#pragma once

#include <optional>
#include <string>
#include <vector>

#include "absl/strings/string_view.h"

namespace plumule::cli {

// An id of a protocol (option, cause, arm) with the words that people read.
struct NamedMember {
  std::string id;
  std::string label;
};

// The member that a cell seems to mean.
struct MemberMatch {
  std::string id;
  // False: only part of the words agree ("under a lamp" for "lamp"); a person should check it.
  bool exact = false;
};

// The one member whose id or label has the cell's words; else the only one of which the words of
// id or label and those of the cell hold each other. Nothing if none does, or several.
std::optional<MemberMatch> MatchMember(absl::string_view cell,
                                       const std::vector<NamedMember>& members);

// How the cells of a column that lists several members are parted.
struct ListReading {
  std::string separator;            // empty: one member a cell
  std::vector<std::string> pieces;  // different ones, in order
  size_t matched = 0;               // of them
};

// The separator (none, comma, semicolon, plus, slash) under which the largest share of pieces
// matches; the first of equals. `lists` false: cells hold one member.
ListReading ReadLists(const std::vector<std::string>& cells,
                      const std::vector<NamedMember>& members, bool lists);

}  // namespace plumule::cli
