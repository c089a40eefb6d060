// Units of measure: a fixed list of UCUM codes and the conversions between them.
//
// The list and its factors are made at build time by generate_units.cc, which asks UDUNITS-2. What
// is left at run time is constant, so everything here is free of locks and files, and safe to call
// from any thread.
//
// Conventions beyond pure conversion, each applied only toward the canonical unit named:
//   [ppm] → mg/L, g/L   1 ppm = 1 mg/L in dilute aqueous solution, and the other way round
//   %     → mg/L, g/L   per cent weight in volume: 1 % = 10 g/L
//   [ppm], % → mg/kg, g/kg   per cent and parts by weight: 1 % = 10 g/kg, 1 ppm = 1 mg/kg
//   mg/kg, g/kg → [ppm]   parts by weight
// Never between mg/L and mg/kg: a powder's strength is not a solution's.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "absl/types/span.h"

namespace plumule::protocol {

// What a unit measures. Units of one dimension convert into each other exactly.
enum class Dimension {
  kLength,
  kTemperature,
  kMass,
  kMassConcentration,    // mass in volume
  kMassFraction,         // mass in mass
  kAmountConcentration,  // amount of substance in volume
  kRatio,                // 1, %, [ppm]
  kCount,
  kTime,
  kPhotonFluxDensity,
  kConductivity,
  kAcidity,
};

// One accepted unit. A reading r in it is (r − zero) · numerator / denominator in the reference
// unit of its dimension.
struct Unit {
  // UCUM code, case-sensitive.
  absl::string_view code;
  // English name, "degree Fahrenheit".
  absl::string_view name;
  Dimension dimension;
  double numerator;
  double denominator;
  // This unit's reading at the reference unit's zero: 32 for [degF].
  double zero;
};

// converted = (value − before) · numerator / denominator + after. Kept as a quotient so that
// conversions by whole factors are exact: 122 [degF] is 50 Cel, not 50.00000000000004.
struct Conversion {
  double before = 0;
  double numerator = 1;
  double denominator = 1;
  double after = 0;
  // Name of the convention that was relied on; empty for pure conversions.
  absl::string_view convention;

  double operator()(double value) const {
    return (value - before) * numerator / denominator + after;
  }
};

// All accepted units, grouped by dimension.
absl::Span<const Unit> AcceptedUnits();

// The unit of a UCUM code; null if it is not accepted.
const Unit* FindUnit(absl::string_view code);

// How readings in `from` become readings in the canonical unit `to`. INVALID_ARGUMENT with reason
// `unit_unknown` or `units_differ`, and a remedy in the message.
absl::StatusOr<Conversion> ConversionBetween(absl::string_view from, absl::string_view to);

// Codes that someone who wrote `wrong` may have meant, nearest first, at most 3; empty for no idea.
// "inch" → [in_i]; "C" → Cel; "MM" → mm.
std::vector<absl::string_view> NearUnits(absl::string_view wrong);

// "did you mean [in_i]?" or the list of all accepted codes. For remedies.
std::string SuggestUnits(absl::string_view wrong);

}  // namespace plumule::protocol
