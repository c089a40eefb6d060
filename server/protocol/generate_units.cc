// Build tool: writes the table of units that units.cc includes. What a unit is comes from
// UDUNITS-2; this list only says which UCUM codes plumule accepts and how UDUNITS spells them.
//
//   plumule_generate_units units.inc
//
// UDUNITS answers in binary fractions: it takes 212 degF to 100.00000000000004 degC. Every unit
// here is a ratio of small whole numbers to its reference unit, so that ratio is recovered, and
// conversions are exact. A unit that is no such ratio fails the build.
#include <udunits2.h>

#include <cmath>
#include <cstdint>
#include <cstdio>
#include <fstream>
#include <iostream>

namespace {

struct Listed {
  const char* code;
  const char* udunits;
  const char* name;
  const char* dimension;
  // The reference unit of the dimension, in UDUNITS' spelling.
  const char* reference;
};

constexpr Listed kListed[] = {
    {"mm", "mm", "millimeter", "kLength", "mm"},
    {"cm", "cm", "centimeter", "kLength", "mm"},
    {"m", "m", "meter", "kLength", "mm"},
    {"[in_i]", "inch", "inch", "kLength", "mm"},
    {"[ft_i]", "foot", "foot", "kLength", "mm"},
    {"um", "um", "micrometer", "kLength", "mm"},
    {"Cel", "celsius", "degree Celsius", "kTemperature", "celsius"},
    {"[degF]", "fahrenheit", "degree Fahrenheit", "kTemperature", "celsius"},
    {"K", "kelvin", "kelvin", "kTemperature", "celsius"},
    {"mg", "mg", "milligram", "kMass", "mg"},
    {"g", "g", "gram", "kMass", "mg"},
    {"kg", "kg", "kilogram", "kMass", "mg"},
    {"mg/L", "mg/L", "milligram in a liter", "kMassConcentration", "mg/L"},
    {"g/L", "g/L", "gram in a liter", "kMassConcentration", "mg/L"},
    {"mg/kg", "mg/kg", "milligram in a kilogram", "kMassFraction", "mg/kg"},
    {"g/kg", "g/kg", "gram in a kilogram", "kMassFraction", "mg/kg"},
    {"umol/L", "umol/L", "micromole in a liter", "kAmountConcentration", "umol/L"},
    {"mmol/L", "mmol/L", "millimole in a liter", "kAmountConcentration", "umol/L"},
    {"mol/L", "mol/L", "mole in a liter", "kAmountConcentration", "umol/L"},
    {"1", "1", "bare number", "kRatio", "1e-6"},
    {"%", "percent", "per cent", "kRatio", "1e-6"},
    {"[ppm]", "ppm", "part in a million", "kRatio", "1e-6"},
    {"{count}", "1", "count", "kCount", "1"},
    {"s", "s", "second", "kTime", "s"},
    {"min", "minute", "minute", "kTime", "s"},
    {"h", "hour", "hour", "kTime", "s"},
    {"d", "day", "day", "kTime", "s"},
    {"wk", "week", "week", "kTime", "s"},
    {"umol/m2/s", "umol m-2 s-1", "micromole of photons", "kPhotonFluxDensity", "umol m-2 s-1"},
    {"mS/cm", "mS/cm", "millisiemens in a centimeter", "kConductivity", "uS/cm"},
    {"uS/cm", "uS/cm", "microsiemens in a centimeter", "kConductivity", "uS/cm"},
    // A reading, not a ratio: UDUNITS has no pH, and nothing converts into it.
    {"[pH]", "1", "pH", "kAcidity", "1"},
};

struct Ratio {
  std::int64_t numerator = 0;
  std::int64_t denominator = 0;
};

// The simplest fraction within a relative 1e-12 of `value` > 0, by continued fractions.
Ratio SimplestRatio(double value) {
  std::int64_t p0 = 0, q0 = 1, p1 = 1, q1 = 0;
  double rest = value;
  for (int i = 0; i < 30 && rest < 1e12; ++i) {
    const auto whole = static_cast<std::int64_t>(std::floor(rest));
    const std::int64_t p2 = whole * p1 + p0, q2 = whole * q1 + q0;
    p0 = p1, q0 = q1, p1 = p2, q1 = q2;
    if (q1 > 1'000'000'000) break;
    const double fraction = static_cast<double>(p1) / static_cast<double>(q1);
    if (std::abs(fraction - value) <= 1e-12 * value) return {p1, q1};
    rest = 1 / (rest - static_cast<double>(whole));
  }
  return {};
}

// Rounded to nine decimals, which every zero point of a temperature scale has at most.
double Tidy(double value) { return std::round(value * 1e9) / 1e9; }

bool WriteUnit(ut_system* system, const Listed& listed, std::ostream& output) {
  ut_unit* unit = ut_parse(system, listed.udunits, UT_UTF8);
  ut_unit* reference = ut_parse(system, listed.reference, UT_UTF8);
  cv_converter* to = unit && reference ? ut_get_converter(unit, reference) : nullptr;
  cv_converter* from = unit && reference ? ut_get_converter(reference, unit) : nullptr;
  bool good = to && from;
  if (good) {
    const double zero = Tidy(cv_convert_double(from, 0));
    const double slope = (cv_convert_double(to, 1000) - cv_convert_double(to, 0)) / 1000;
    const Ratio ratio = SimplestRatio(slope);
    good = ratio.denominator > 0;
    char row[256];
    std::snprintf(row, sizeof row, "{\"%s\", \"%s\", Dimension::%s, %lld, %lld, %.10g},\n",
                  listed.code, listed.name, listed.dimension,
                  static_cast<long long>(ratio.numerator),
                  static_cast<long long>(ratio.denominator), zero);
    output << row;
  }
  cv_free(to);
  cv_free(from);
  ut_free(unit);
  ut_free(reference);
  return good;
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 2) {
    std::cerr << "usage: plumule_generate_units units.inc\n";
    return 2;
  }
  ut_set_error_message_handler(ut_ignore);
  ut_system* system = ut_read_xml(nullptr);
  if (system == nullptr) {
    std::cerr << "the unit database of UDUNITS-2 can't be read: install libudunits2-data\n";
    return 1;
  }
  std::ofstream output(argv[1]);
  for (const Listed& listed : kListed) {
    if (!WriteUnit(system, listed, output)) {
      std::cerr << listed.code << ": not a simple ratio to " << listed.reference << "\n";
      return 1;
    }
  }
  ut_free_system(system);
  output.close();
  return output.good() ? 0 : 1;
}
