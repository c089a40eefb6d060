#include "server/protocol/units.h"

#include <algorithm>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "server/protocol/reason.h"
#include "server/protocol/spelling.h"

namespace plumule::protocol {
namespace {

constexpr Unit kUnits[] = {
#include "tables/units.inc"
};

// What people write instead of UCUM codes.
struct Nickname {
  absl::string_view written;  // lower case
  absl::string_view code;
};
constexpr Nickname kNicknames[] = {
    {"inch", "[in_i]"},
    {"inches", "[in_i]"},
    {"in", "[in_i]"},
    {"\"", "[in_i]"},
    {"foot", "[ft_i]"},
    {"feet", "[ft_i]"},
    {"ft", "[ft_i]"},
    {"millimetre", "mm"},
    {"millimetres", "mm"},
    {"centimetre", "cm"},
    {"centimetres", "cm"},
    {"metre", "m"},
    {"metres", "m"},
    {"c", "Cel"},
    {"°c", "Cel"},
    {"celsius", "Cel"},
    {"degc", "Cel"},
    {"deg c", "Cel"},
    {"f", "[degF]"},
    {"°f", "[degF]"},
    {"fahrenheit", "[degF]"},
    {"degf", "[degF]"},
    {"deg f", "[degF]"},
    {"ppm", "[ppm]"},
    {"percent", "%"},
    {"per cent", "%"},
    {"pct", "%"},
    {"day", "d"},
    {"days", "d"},
    {"hour", "h"},
    {"hours", "h"},
    {"hr", "h"},
    {"hrs", "h"},
    {"minute", "min"},
    {"minutes", "min"},
    {"mins", "min"},
    {"week", "wk"},
    {"weeks", "wk"},
    {"second", "s"},
    {"seconds", "s"},
    {"sec", "s"},
    {"ph", "[pH]"},
    {"count", "{count}"},
    {"number", "1"},
    {"none", "1"},
    {"mg/l", "mg/L"},
    {"g/l", "g/L"},
    {"mm/l", "mmol/L"},
    {"mmol", "mmol/L"},
    {"µm", "um"},
    {"gram", "g"},
    {"grams", "g"},
    {"ppfd", "umol/m2/s"},
    {"µmol/m2/s", "umol/m2/s"},
    {"µmol/m²/s", "umol/m2/s"},
    {"umol/m²/s", "umol/m2/s"},
    {"us/cm", "uS/cm"},
    {"ec", "mS/cm"},
};

Conversion Exact(const Unit& from, const Unit& to) {
  return {from.zero, from.numerator * to.denominator, from.denominator * to.numerator, to.zero, ""};
}

// A ratio read as mass in volume or in mass: 1 ppm is the reference unit of both (mg/L, mg/kg).
Conversion ByConvention(const Unit& from, const Unit& to, absl::string_view convention) {
  Conversion conversion = Exact(from, to);
  conversion.convention = convention;
  return conversion;
}

constexpr absl::string_view kDilute = "1 ppm is taken as 1 mg/L, as in dilute aqueous solution";
constexpr absl::string_view kWeightInVolume = "1 % is taken as 10 g/L, weight in volume";
constexpr absl::string_view kByWeight = "1 ppm is taken as 1 mg/kg, by weight";

bool Is(const Unit& unit, absl::string_view code) { return unit.code == code; }

// Conversions between dimensions that rest on a convention; absent where there is none.
absl::optional<Conversion> Conventional(const Unit& from, const Unit& to) {
  const bool shares = Is(from, "[ppm]") || Is(from, "%");
  if (shares && to.dimension == Dimension::kMassConcentration) {
    return ByConvention(from, to, Is(from, "%") ? kWeightInVolume : kDilute);
  }
  if (shares && to.dimension == Dimension::kMassFraction) return ByConvention(from, to, kByWeight);
  if (Is(to, "[ppm]") && from.dimension == Dimension::kMassConcentration) {
    return ByConvention(from, to, kDilute);
  }
  if (Is(to, "[ppm]") && from.dimension == Dimension::kMassFraction) {
    return ByConvention(from, to, kByWeight);
  }
  return absl::nullopt;
}

bool IsStrength(const Unit& unit) {
  return unit.dimension == Dimension::kMassConcentration ||
         unit.dimension == Dimension::kMassFraction || unit.dimension == Dimension::kRatio;
}

std::string DifferenceRemedy(const Unit& from, const Unit& to) {
  if (IsStrength(from) && IsStrength(to)) {
    return "a solution is measured in mg/L or g/L, a powder in mg/kg or g/kg: declare the one that "
           "was used as the canonical unit";
  }
  if (from.dimension == Dimension::kAmountConcentration ||
      to.dimension == Dimension::kAmountConcentration) {
    return "converting between moles and mass needs the substance: enter both in the same kind of "
           "unit";
  }
  std::vector<absl::string_view> fitting;
  for (const Unit& unit : kUnits) {
    if (unit.dimension == to.dimension) fitting.push_back(unit.code);
  }
  return absl::StrCat("use one of ", absl::StrJoin(fitting, ", "));
}

}  // namespace

absl::Span<const Unit> AcceptedUnits() { return kUnits; }

const Unit* FindUnit(absl::string_view code) {
  const Unit* found = std::find_if(std::begin(kUnits), std::end(kUnits),
                                   [code](const Unit& unit) { return unit.code == code; });
  return found == std::end(kUnits) ? nullptr : found;
}

absl::StatusOr<Conversion> ConversionBetween(absl::string_view from, absl::string_view to) {
  for (const absl::string_view code : {from, to}) {
    if (FindUnit(code) == nullptr) {
      return ReasonedError(
          absl::StatusCode::kInvalidArgument, "unit_unknown",
          absl::StrCat(Quote(code), " is not a unit that plumule knows; ", SuggestUnits(code)));
    }
  }
  const Unit& source = *FindUnit(from);
  const Unit& target = *FindUnit(to);
  if (source.dimension == target.dimension) return Exact(source, target);
  if (const absl::optional<Conversion> conversion = Conventional(source, target)) {
    return *conversion;
  }
  return ReasonedError(absl::StatusCode::kInvalidArgument, "units_differ",
                       absl::StrCat(from, " (", source.name, ") does not convert to ", to, " (",
                                    target.name, "); ", DifferenceRemedy(source, target)));
}

std::vector<absl::string_view> NearUnits(absl::string_view wrong) {
  const std::string lower = absl::AsciiStrToLower(absl::StripAsciiWhitespace(wrong));
  std::vector<absl::string_view> near;
  const auto add = [&near](absl::string_view code) {
    if (near.size() < 3 && std::find(near.begin(), near.end(), code) == near.end()) {
      near.push_back(code);
    }
  };
  for (const Nickname& nickname : kNicknames) {
    if (lower == nickname.written) add(nickname.code);
  }
  for (const Unit& unit : kUnits) {
    if (lower == absl::AsciiStrToLower(unit.code) || lower == absl::AsciiStrToLower(unit.name) ||
        lower == absl::StrCat(absl::AsciiStrToLower(unit.name), "s")) {
      add(unit.code);
    }
  }
  if (!near.empty()) return near;
  std::vector<absl::string_view> words;
  for (const Unit& unit : kUnits) words.push_back(unit.name);
  for (const Nickname& nickname : kNicknames) {
    if (nickname.written.size() > 2) words.push_back(nickname.written);
  }
  for (const absl::string_view word : Nearest(lower, words)) {
    for (const Unit& unit : kUnits) {
      if (unit.name == word) add(unit.code);
    }
    for (const Nickname& nickname : kNicknames) {
      if (nickname.written == word) add(nickname.code);
    }
  }
  return near;
}

std::string SuggestUnits(absl::string_view wrong) {
  const std::vector<absl::string_view> near = NearUnits(wrong);
  if (!near.empty()) return absl::StrCat("did you mean ", absl::StrJoin(near, " or "), "?");
  return absl::StrCat("units are written in UCUM codes: ",
                      absl::StrJoin(kUnits, ", ", [](std::string* out, const Unit& unit) {
                        absl::StrAppend(out, unit.code);
                      }));
}

}  // namespace plumule::protocol
