#include "server/protocol/units.h"

#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>
#include <udunits2.h>

#include <cmath>
#include <map>
#include <memory>
#include <string>

#include "server/protocol/reason.h"

namespace plumule::protocol {
namespace {

double Convert(double value, absl::string_view from, absl::string_view to) {
  const absl::StatusOr<Conversion> conversion = ConversionBetween(from, to);
  EXPECT_TRUE(conversion.ok()) << conversion.status();
  return conversion.ok() ? (*conversion)(value) : std::nan("");
}

// Exact by definition: 1 in = 25.4 mm, 1 ft = 0.3048 m (NIST SP 811, 2008, B.8 and footnotes).
TEST(Units, ConvertInchesExactly) {
  EXPECT_EQ(Convert(1, "[in_i]", "mm"), 25.4);
  EXPECT_EQ(Convert(2, "[in_i]", "cm"), 5.08);
  EXPECT_EQ(Convert(1, "[ft_i]", "m"), 0.3048);
  EXPECT_EQ(Convert(50.8, "mm", "[in_i]"), 2);
}

// Exact by definition: t/°C = (t/°F − 32)/1.8 and T/K = t/°C + 273.15 (NIST SP 811, 2008, B.8).
TEST(Units, ConvertTemperaturesWithTheirOffsets) {
  EXPECT_EQ(Convert(32, "[degF]", "Cel"), 0);
  EXPECT_EQ(Convert(212, "[degF]", "Cel"), 100);
  EXPECT_EQ(Convert(122, "[degF]", "Cel"), 50);
  EXPECT_EQ(Convert(-40, "[degF]", "Cel"), -40);
  EXPECT_EQ(Convert(50, "Cel", "[degF]"), 122);
  EXPECT_EQ(Convert(0, "Cel", "K"), 273.15);
  EXPECT_EQ(Convert(0, "K", "Cel"), -273.15);
  EXPECT_NEAR(Convert(32, "[degF]", "K"), 273.15, 1e-12);
}

TEST(Units, ConvertDecimalMultiplesExactly) {
  EXPECT_EQ(Convert(5, "cm", "mm"), 50);
  EXPECT_EQ(Convert(0.05, "m", "mm"), 50);
  EXPECT_EQ(Convert(1, "kg", "mg"), 1e6);
  EXPECT_EQ(Convert(1, "g/L", "mg/L"), 1000);
  EXPECT_EQ(Convert(1, "g/kg", "mg/kg"), 1000);
  EXPECT_EQ(Convert(1, "mmol/L", "umol/L"), 1000);
  EXPECT_EQ(Convert(1, "d", "h"), 24);
  EXPECT_EQ(Convert(1, "h", "min"), 60);
  EXPECT_EQ(Convert(2, "wk", "d"), 14);
  EXPECT_EQ(Convert(1, "mS/cm", "uS/cm"), 1000);
  EXPECT_EQ(Convert(50, "%", "1"), 0.5);
  EXPECT_EQ(Convert(1, "%", "[ppm]"), 10000);
}

// Every pair of units of one dimension against UDUNITS-2 itself, asked at run time with spellings
// of this test's own.
TEST(Units, AgreeWithUdunits) {
  const std::map<std::string, std::string> spellings = {{"mm", "0.001 meter"},
                                                        {"cm", "0.01 meter"},
                                                        {"m", "meter"},
                                                        {"[in_i]", "international_inch"},
                                                        {"[ft_i]", "international_foot"},
                                                        {"um", "micrometer"},
                                                        {"Cel", "degC"},
                                                        {"[degF]", "degF"},
                                                        {"K", "K"},
                                                        {"mg", "milligram"},
                                                        {"g", "gram"},
                                                        {"kg", "kilogram"},
                                                        {"mg/L", "milligram/liter"},
                                                        {"g/L", "kg/m3"},
                                                        {"mg/kg", "1e-6 kg/kg"},
                                                        {"g/kg", "0.001 kg/kg"},
                                                        {"umol/L", "millimole/m3"},
                                                        {"mmol/L", "mole/m3"},
                                                        {"mol/L", "mole/dm3"},
                                                        {"1", "1"},
                                                        {"%", "0.01"},
                                                        {"[ppm]", "1e-6"},
                                                        {"{count}", "count"},
                                                        {"s", "second"},
                                                        {"min", "60 s"},
                                                        {"h", "3600 s"},
                                                        {"d", "86400 s"},
                                                        {"wk", "7 day"},
                                                        {"umol/m2/s", "1e-6 mole/m2/s"},
                                                        {"mS/cm", "0.1 siemens/m"},
                                                        {"uS/cm", "1e-4 siemens/m"},
                                                        {"[pH]", "1"}};
  ut_set_error_message_handler(ut_ignore);
  const std::unique_ptr<ut_system, void (*)(ut_system*)> system(ut_read_xml(nullptr),
                                                                ut_free_system);
  ASSERT_NE(system, nullptr);
  using UtUnit = std::unique_ptr<ut_unit, void (*)(ut_unit*)>;
  const auto parse = [&](absl::string_view code) {
    return UtUnit(ut_parse(system.get(), spellings.at(std::string(code)).c_str(), UT_UTF8),
                  ut_free);
  };
  int pairs = 0;
  for (const Unit& from : AcceptedUnits()) {
    for (const Unit& to : AcceptedUnits()) {
      if (from.dimension != to.dimension) continue;
      const UtUnit a = parse(from.code), b = parse(to.code);
      ASSERT_NE(a, nullptr) << from.code;
      ASSERT_NE(b, nullptr) << to.code;
      const std::unique_ptr<cv_converter, void (*)(cv_converter*)> converter(
          ut_get_converter(a.get(), b.get()), cv_free);
      ASSERT_NE(converter, nullptr) << from.code << " to " << to.code;
      for (const double value : {-40.0, 0.0, 0.1, 1.0, 98.6, 12345.678}) {
        const double expected = cv_convert_double(converter.get(), value);
        EXPECT_NEAR(Convert(value, from.code, to.code), expected,
                    1e-12 * std::max(1.0, std::abs(expected)) + 1e-9 * (std::abs(expected) < 1e-6))
            << value << " " << from.code << " to " << to.code;
      }
      ++pairs;
    }
  }
  EXPECT_GE(pairs, 90);
}

// Conventions of the trade, documented in units.h.
TEST(Units, TakePpmAsMgPerLiterOnlyForSolutions) {
  const absl::StatusOr<Conversion> dilute = ConversionBetween("[ppm]", "mg/L");
  ASSERT_TRUE(dilute.ok());
  EXPECT_EQ((*dilute)(1000), 1000);
  EXPECT_FALSE(dilute->convention.empty());
  EXPECT_EQ(Convert(1, "%", "g/L"), 10);
  EXPECT_EQ(Convert(1000, "mg/L", "[ppm]"), 1000);
  // Talc of 0.1 per cent by weight is 1,000 mg/kg.
  EXPECT_EQ(Convert(0.1, "%", "mg/kg"), 1000);
  EXPECT_EQ(Convert(1000, "[ppm]", "mg/kg"), 1000);
}

TEST(Units, NeverTakeAPowderForASolution) {
  for (const auto& [from, to] : {std::pair("mg/L", "mg/kg"), std::pair("mg/kg", "mg/L"),
                                 std::pair("mg/L", "%"), std::pair("g/kg", "%")}) {
    const absl::Status status = ConversionBetween(from, to).status();
    EXPECT_EQ(ReasonOf(status), "units_differ") << from << " to " << to;
    EXPECT_NE(status.message().find("powder"), absl::string_view::npos) << status;
  }
}

TEST(Units, RefuseWhatDoesNotConvert) {
  EXPECT_EQ(ReasonOf(ConversionBetween("mm", "Cel").status()), "units_differ");
  EXPECT_EQ(ReasonOf(ConversionBetween("mmol/L", "mg/L").status()), "units_differ");
  EXPECT_EQ(ReasonOf(ConversionBetween("[pH]", "1").status()), "units_differ");
  EXPECT_EQ(ReasonOf(ConversionBetween("%", "{count}").status()), "units_differ");
  EXPECT_EQ(ReasonOf(ConversionBetween("furlong", "m").status()), "unit_unknown");
  EXPECT_EQ(ReasonOf(ConversionBetween("m", "").status()), "unit_unknown");
}

TEST(Units, GuessWhatWasMeant) {
  using Codes = std::vector<absl::string_view>;
  EXPECT_EQ(NearUnits("inch"), Codes{"[in_i]"});
  EXPECT_EQ(NearUnits("C"), Codes{"Cel"});
  EXPECT_EQ(NearUnits("°F"), Codes{"[degF]"});
  EXPECT_EQ(NearUnits("MM"), Codes{"mm"});
  EXPECT_EQ(NearUnits("ppm"), Codes{"[ppm]"});
  EXPECT_EQ(NearUnits("mg/l"), Codes{"mg/L"});
  EXPECT_EQ(NearUnits("days"), Codes{"d"});
  EXPECT_EQ(NearUnits("milimeter").at(0), "mm");
  EXPECT_TRUE(NearUnits("zorkmid").empty());
  EXPECT_NE(SuggestUnits("zorkmid").find("[degF]"), std::string::npos);
}

RC_GTEST_PROP(Units, ComeBackFromAnyUnitOfTheirDimension, ()) {
  const auto units = AcceptedUnits();
  const Unit& from = *rc::gen::elementOf(std::vector<Unit>(units.begin(), units.end()));
  const Unit& to = *rc::gen::elementOf(std::vector<Unit>(units.begin(), units.end()));
  if (from.dimension != to.dimension) RC_DISCARD();
  const double value = *rc::gen::inRange(-1'000'000, 1'000'000) / 1000.0;
  const double back = Convert(Convert(value, from.code, to.code), to.code, from.code);
  RC_ASSERT(std::abs(back - value) <= 1e-11 * std::max(300.0, std::abs(value)));
}

RC_GTEST_PROP(Units, KeepTheOrderOfReadings, ()) {
  const double low = *rc::gen::inRange(-100'000, 100'000) / 100.0;
  const double high = low + *rc::gen::inRange(1, 100'000) / 100.0;
  const auto conversion = ConversionBetween("[degF]", "Cel");
  RC_ASSERT((*conversion)(low) < (*conversion)(high));
}

}  // namespace
}  // namespace plumule::protocol
