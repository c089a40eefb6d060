#include "clients/cli/import/cell_matching.h"

#include <algorithm>
#include <set>

#include "absl/strings/ascii.h"
#include "absl/strings/str_split.h"
#include "clients/cli/import/heading_words.h"

namespace plumule::cli {
namespace {

using Words = std::vector<std::string>;

bool OneHoldsTheOther(const Words& a, const Words& b) { return HasRun(a, b) || HasRun(b, a); }

std::vector<std::string> Pieces(const std::vector<std::string>& cells,
                                const std::string& separator) {
  std::vector<std::string> pieces;
  std::set<std::string> known;
  for (const std::string& cell : cells) {
    const std::vector<std::string> parts =
        separator.empty()
            ? std::vector<std::string>{cell}
            : std::vector<std::string>(absl::StrSplit(cell, separator, absl::SkipWhitespace()));
    for (const std::string& part : parts) {
      std::string piece(absl::StripAsciiWhitespace(part));
      if (known.insert(piece).second) pieces.push_back(std::move(piece));
    }
  }
  return pieces;
}

}  // namespace

std::optional<MemberMatch> MatchMember(absl::string_view cell,
                                       const std::vector<NamedMember>& members) {
  const Words words = WordsOf(cell);
  if (words.empty()) return std::nullopt;
  const NamedMember* near = nullptr;
  size_t how_many = 0;
  for (const NamedMember& member : members) {
    const Words id = WordsOf(member.id);
    const Words label = WordsOf(member.label);
    if (words == id || words == label) return MemberMatch{member.id, true};
    if (!OneHoldsTheOther(words, id) && !OneHoldsTheOther(words, label)) continue;
    near = &member;
    ++how_many;
  }
  if (how_many != 1) return std::nullopt;
  return MemberMatch{near->id, false};
}

ListReading ReadLists(const std::vector<std::string>& cells,
                      const std::vector<NamedMember>& members, bool lists) {
  ListReading best;
  bool first = true;
  for (const char* separator : {"", ",", ";", "+", "/"}) {
    if (!first && !lists) break;
    ListReading reading{.separator = separator, .pieces = Pieces(cells, separator)};
    reading.matched = static_cast<size_t>(std::count_if(
        reading.pieces.begin(), reading.pieces.end(),
        [&](const std::string& piece) { return MatchMember(piece, members).has_value(); }));
    // Part matches of a whole list ("sand, bark" holds "bark") are no matches of its pieces.
    const auto share = [](const ListReading& r) { return r.matched * 1000 / r.pieces.size(); };
    const bool parts_cells = reading.pieces != best.pieces;
    const bool better =
        first || (parts_cells &&
                  (share(reading) > share(best) ||
                   (share(reading) == share(best) && reading.pieces.size() < best.pieces.size())));
    if (!reading.pieces.empty() && better) best = std::move(reading);
    first = false;
    if (best.pieces.empty()) return best;
  }
  return best;
}

}  // namespace plumule::cli
