#include "clients/cli/import/heading_words.h"

#include <algorithm>
#include <array>

#include "absl/strings/ascii.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_replace.h"
#include "clients/cli/table/cell.h"

namespace plumule::cli {
namespace {

struct UnitWord {
  absl::string_view word, code;
};

// How people write units in headings. A bare "in" counts only in brackets ("height (in)").
constexpr std::array<UnitWord, 27> kUnits = {{
    {"mm", "mm"},
    {"millimeters", "mm"},
    {"millimetres", "mm"},
    {"cm", "cm"},
    {"centimeters", "cm"},
    {"centimetres", "cm"},
    {"inch", "[in_i]"},
    {"inches", "[in_i]"},
    {"degc", "Cel"},
    {"celsius", "Cel"},
    {"degf", "[degF]"},
    {"fahrenheit", "[degF]"},
    {"ppm", "[ppm]"},
    {"mgl", "mg/L"},
    {"percent", "%"},
    {"mg", "mg"},
    {"g", "g"},
    {"grams", "g"},
    {"kg", "kg"},
    {"hours", "h"},
    {"hrs", "h"},
    {"minutes", "min"},
    {"meters", "m"},
    {"metres", "m"},
    {"milligrams", "mg"},
    {"degreesf", "[degF]"},
    {"degreesc", "Cel"},
}};

bool InBrackets(absl::string_view heading, absl::string_view word) {
  const std::string lower = absl::AsciiStrToLower(heading);
  for (const char open : {'(', '['}) {
    const char close = open == '(' ? ')' : ']';
    if (lower.find(std::string(1, open) + std::string(word) + std::string(1, close)) !=
        std::string::npos) {
      return true;
    }
  }
  return false;
}

}  // namespace

std::vector<std::string> WordsOf(absl::string_view text) {
  const std::string plain = absl::StrReplaceAll(absl::AsciiStrToLower(text), {{"°c", " degc "},
                                                                              {"°f", " degf "},
                                                                              {"º", " deg"},
                                                                              {"mg/l", " mgl "},
                                                                              {"%", " percent "},
                                                                              {"\"", " "}});
  std::vector<std::string> words;
  std::string word;
  for (const char c : plain) {
    const auto byte = static_cast<unsigned char>(c);
    if (absl::ascii_isalnum(byte) || byte >= 0x80) {
      word += c;
    } else if (!word.empty()) {
      words.push_back(std::move(word));
      word.clear();
    }
  }
  if (!word.empty()) words.push_back(std::move(word));
  return words;
}

bool HasAny(const std::vector<std::string>& words, std::initializer_list<absl::string_view> known) {
  return std::any_of(words.begin(), words.end(), [&](const std::string& word) {
    return std::find(known.begin(), known.end(), word) != known.end();
  });
}

bool HasRun(const std::vector<std::string>& words, const std::vector<std::string>& part) {
  return !part.empty() &&
         std::search(words.begin(), words.end(), part.begin(), part.end()) != words.end();
}

std::vector<std::string> Without(std::vector<std::string> words,
                                 const std::vector<std::string>& part) {
  const auto at = std::search(words.begin(), words.end(), part.begin(), part.end());
  if (!part.empty() && at != words.end()) {
    words.erase(at, at + static_cast<std::ptrdiff_t>(part.size()));
  }
  return words;
}

std::string UnitInHeading(absl::string_view heading, std::vector<std::string>* rest) {
  for (size_t i = 0; i < rest->size(); ++i) {
    const std::string& word = (*rest)[i];
    std::string code;
    for (const UnitWord& unit : kUnits) {
      if (word == unit.word) code = std::string(unit.code);
    }
    if (word == "in" && InBrackets(heading, "in")) code = "[in_i]";
    if ((word == "c" || word == "f") && InBrackets(heading, word)) {
      code = word == "c" ? "Cel" : "[degF]";
    }
    if (code.empty()) continue;
    rest->erase(rest->begin() + static_cast<std::ptrdiff_t>(i));
    std::erase(*rest, "in");
    return code;
  }
  return "";
}

std::optional<HeadingQuantity> QuantityInHeading(absl::string_view heading) {
  for (const std::string& word : WordsOf(heading)) {
    // "50mm" is one word, "5 cm" two: the number is looked for first, then what follows it.
    const size_t digits = word.find_first_not_of("0123456789.");
    const auto number = ParseNumber(word.substr(0, digits));
    if (!number) continue;
    std::vector<std::string> words = WordsOf(heading);
    std::string unit_word = digits == std::string::npos ? "" : word.substr(digits);
    if (unit_word.empty()) {
      const auto at = std::find(words.begin(), words.end(), word) + 1;
      if (at != words.end()) unit_word = *at;
    }
    std::vector<std::string> alone = {unit_word};
    std::string unit = UnitInHeading(unit_word, &alone);
    if (!unit.empty()) return HeadingQuantity{*number, std::move(unit)};
  }
  return std::nullopt;
}

std::string IdOf(const std::vector<std::string>& words) {
  std::string id = absl::StrJoin(words, "_");
  std::erase_if(id, [](char c) {
    const auto byte = static_cast<unsigned char>(c);
    return !absl::ascii_isalnum(byte) && c != '_';
  });
  if (id.empty() || !absl::ascii_isalpha(static_cast<unsigned char>(id[0]))) id = "x" + id;
  return id.substr(0, 40);
}

}  // namespace plumule::cli
