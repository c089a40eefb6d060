#include "server/protocol/cautions.h"

#include <algorithm>
#include <array>
#include <string>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"

namespace plumule::protocol {
namespace {

// Where a word must stand to call for a caution.
enum class Where { kNames, kInstructions, kDose };

struct CautionRow {
  UsualCaution caution;
  Where where;
  // Lower case; any of them calls for the caution. Empty strings are unused places.
  std::array<absl::string_view, 6> calls;
  // Lower case; a caution that holds any of them is taken to name the hazard.
  std::array<absl::string_view, 4> names;
};

constexpr CautionRow kRows[] = {
    {{"rooting hormones",
      "Use only a product registered where you live, exactly as its label and local rules allow, "
      "including protective equipment, crops, storage and disposal."},
     Where::kDose,
     {},
     {"label", "", "", ""}},
    {{"potting mix and compost",
      "Bagged mix and compost can carry Legionella: wear gloves and a well-fitting mask, open bags "
      "away from your face, dampen the mix, air the room and wash your hands. See a doctor about a "
      "flu-like illness. Older, smoking or immunocompromised people are at greater risk."},
     Where::kNames,
     {"potting", "compost", "", "", "", ""},
     {"legionella", "mask", "", ""}},
    {{"dust of perlite, peat and vermiculite",
      "Dampen dry perlite, peat or vermiculite before you pour it and air the room: the dust can "
      "irritate or set off asthma. Follow the product's safety sheet."},
     Where::kNames,
     {"perlite", "vermiculite", "peat", "", "", ""},
     {"dust", "dampen", "", ""}},
    {{"standing water",
      "Change the water at least twice a week and scrub the containers weekly, so that no mosquito "
      "larvae develop. Obey local rules."},
     Where::kNames,
     {"water", "", "", "", "", ""},
     {"larva", "mosquito", "", ""}},
    {{"blades",
      "Cut away from yourself, keep blades from children, let minors cut only under supervision, "
      "and dispose of blades safely."},
     Where::kInstructions,
     {"knife", "blade", "scalpel", "secateurs", "pruner", "toothpick"},
     {"blade", "knife", "cut away", "sharp"}},
};

template <class Words>
bool HoldsAny(absl::string_view text, const Words& words) {
  return std::any_of(words.begin(), words.end(), [text](absl::string_view word) {
    return !word.empty() && absl::StrContains(text, word);
  });
}

// Ids and labels of arms and options, lower case.
std::string Names(const study::v1::Protocol& definition) {
  std::string names;
  for (const auto& arm : definition.arms()) {
    absl::StrAppend(&names, arm.id(), "\n", arm.label().text(), "\n");
  }
  for (const auto& variable : definition.variables()) {
    for (const auto& option : variable.choice().options()) {
      absl::StrAppend(&names, option.code(), "\n", option.label().text(), "\n");
    }
  }
  return absl::AsciiStrToLower(names);
}

std::string Instructions(const study::v1::Protocol& definition) {
  std::string instructions = definition.words().instructions().text();
  for (const auto& arm : definition.arms()) {
    absl::StrAppend(&instructions, "\n", arm.instructions().text());
  }
  return absl::AsciiStrToLower(instructions);
}

std::string Cautions(const study::v1::Protocol& definition) {
  std::string cautions;
  for (const auto& caution : definition.words().cautions()) {
    absl::StrAppend(&cautions, caution.text(), "\n");
  }
  return absl::AsciiStrToLower(cautions);
}

bool IsEnglish(const study::v1::Protocol& definition) {
  const std::string language = absl::AsciiStrToLower(definition.language());
  return language.empty() || language == "en" || absl::StartsWith(language, "en-");
}

}  // namespace

bool HasDose(const study::v1::Protocol& definition) {
  return std::any_of(definition.arms().begin(), definition.arms().end(),
                     [](const auto& arm) { return arm.dose().amount().value() > 0; });
}

std::vector<UsualCaution> CautionsAdvised(const study::v1::Protocol& definition) {
  const bool english = IsEnglish(definition);
  const std::string names = Names(definition);
  const std::string instructions = Instructions(definition);
  const std::string cautions = Cautions(definition);
  std::vector<UsualCaution> advised;
  for (const CautionRow& row : kRows) {
    bool called = false;
    switch (row.where) {
      case Where::kDose:
        // In other languages the caution can't be recognized, but any will have to do.
        called = HasDose(definition) && (english || cautions.empty());
        break;
      case Where::kNames:
        called = english && HoldsAny(names, row.calls);
        break;
      case Where::kInstructions:
        called = english && HoldsAny(instructions, row.calls);
        break;
    }
    if (called && !HoldsAny(cautions, row.names)) advised.push_back(row.caution);
  }
  return advised;
}

}  // namespace plumule::protocol
