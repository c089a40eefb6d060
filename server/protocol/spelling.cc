#include "server/protocol/spelling.h"

#include <algorithm>
#include <array>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"

namespace plumule::protocol {
namespace {

constexpr size_t kLongestQuote = 64;

bool IsContinuation(char c) { return (static_cast<unsigned char>(c) & 0xC0) == 0x80; }

char Lower(char c) { return absl::ascii_tolower(static_cast<unsigned char>(c)); }

}  // namespace

std::string Quote(absl::string_view text) {
  absl::string_view shown = text;
  if (text.size() > kLongestQuote) {
    size_t end = kLongestQuote;
    while (end > 0 && IsContinuation(text[end])) --end;
    shown = text.substr(0, end);
  }
  std::string quoted = absl::StrCat("\"", shown, shown.size() < text.size() ? "…" : "", "\"");
  std::replace_if(
      quoted.begin(), quoted.end(),
      [](char c) { return absl::ascii_iscntrl(static_cast<unsigned char>(c)); }, ' ');
  return quoted;
}

int EditDistance(absl::string_view a, absl::string_view b) {
  a = a.substr(0, kLongestQuote);
  b = b.substr(0, kLongestQuote);
  using Row = std::array<int, kLongestQuote + 1>;
  Row before_last{}, last{}, now{};
  for (size_t j = 0; j <= b.size(); ++j) now[j] = static_cast<int>(j);
  for (size_t i = 1; i <= a.size(); ++i) {
    before_last = last;
    last = now;
    now[0] = static_cast<int>(i);
    for (size_t j = 1; j <= b.size(); ++j) {
      const int substitution = Lower(a[i - 1]) == Lower(b[j - 1]) ? 0 : 1;
      now[j] = std::min({last[j] + 1, now[j - 1] + 1, last[j - 1] + substitution});
      if (i > 1 && j > 1 && Lower(a[i - 1]) == Lower(b[j - 2]) &&
          Lower(a[i - 2]) == Lower(b[j - 1])) {
        now[j] = std::min(now[j], before_last[j - 2] + 1);
      }
    }
  }
  return now[b.size()];
}

std::vector<absl::string_view> Nearest(absl::string_view wrong,
                                       absl::Span<const absl::string_view> known, size_t most) {
  // Guesses are a courtesy: they must not make a hostile definition expensive.
  constexpr size_t kMostCompared = 500;
  std::vector<std::pair<int, absl::string_view>> candidates;
  for (const absl::string_view word : known.subspan(0, kMostCompared)) {
    const auto longer = static_cast<int>(std::max(wrong.size(), word.size()));
    const auto shorter = static_cast<int>(std::min(wrong.size(), word.size()));
    // A third of the letters may differ, but never all of them.
    const int most_different = std::min(std::max(1, longer / 3), longer - 1);
    if (longer - shorter > most_different) continue;
    const int distance = EditDistance(wrong, word);
    if (distance <= most_different) candidates.emplace_back(distance, word);
  }
  std::stable_sort(candidates.begin(), candidates.end(),
                   [](const auto& a, const auto& b) { return a.first < b.first; });
  std::vector<absl::string_view> nearest;
  for (const auto& [distance, word] : candidates) {
    if (nearest.size() < most) nearest.push_back(word);
  }
  return nearest;
}

std::string Suggest(absl::string_view wrong, absl::Span<const absl::string_view> known,
                    absl::string_view otherwise) {
  if (known.empty()) return std::string(otherwise);
  const std::vector<absl::string_view> nearest = Nearest(wrong, known, 1);
  if (!nearest.empty()) return absl::StrCat("did you mean ", Quote(nearest[0]), "?");
  constexpr size_t kMostListed = 12;
  return absl::StrCat("known: ", absl::StrJoin(known.subspan(0, kMostListed), ", "),
                      known.size() > kMostListed ? ", …" : "");
}

size_t CountCharacters(absl::string_view text) {
  return static_cast<size_t>(
      std::count_if(text.begin(), text.end(), [](char c) { return !IsContinuation(c); }));
}

}  // namespace plumule::protocol
