// The rule of Quote in result.proto: shown = round(value × factor, decimals).
#include "server/analysis/quote_check.h"

#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <random>

#include "absl/strings/str_format.h"

namespace plumule::analysis {
namespace {

bool Agrees(absl::string_view shown, double value, double factor, int decimals,
            bool absolute = false) {
  return QuoteDisagreement(shown, value, factor, decimals, absolute).empty();
}

TEST(Quote, AgreesWithItsSourceToTheLastDigitShown) {
  EXPECT_TRUE(Agrees("9", 9.49, 1, 0));
  EXPECT_FALSE(Agrees("9", 9.51, 1, 0));
  EXPECT_TRUE(Agrees("4.5", 4.5499, 1, 1));
  EXPECT_FALSE(Agrees("4.5", 4.5501, 1, 1));
  EXPECT_TRUE(Agrees("62", 0.618, 100, 0));
  EXPECT_TRUE(Agrees("9", 9, 0, 0));
  EXPECT_TRUE(Agrees("0.000001", 0.000001, 1, 6));
  EXPECT_FALSE(Agrees("0.000001", 0.000003, 1, 6));
}

TEST(Quote, LetsTheWordsCarryTheSignOnlyIfItSaysSo) {
  EXPECT_TRUE(Agrees("9", -9.2, 1, 0, true));
  EXPECT_FALSE(Agrees("9", -9.2, 1, 0, false));
  EXPECT_TRUE(Agrees("-9", -9.2, 1, 0, false));
  EXPECT_TRUE(
      Agrees("\xe2\x88\x92"
             "9",
             -9.2, 1, 0, false));
  EXPECT_FALSE(Agrees("-9", -9.2, 1, 0, true));
}

TEST(Quote, TakesEitherNeighborOfATie) {
  EXPECT_TRUE(Agrees("2", 2.5, 1, 0));
  EXPECT_TRUE(Agrees("3", 2.5, 1, 0));
  EXPECT_FALSE(Agrees("4", 2.5, 1, 0));
}

TEST(Quote, WritesZeroWithoutAMinus) {
  EXPECT_TRUE(Agrees("0", -0.3, 1, 0));
  EXPECT_FALSE(Agrees("-0", -0.3, 1, 0));
}

TEST(Quote, ShowsExactlyTheStatedDecimals) {
  EXPECT_FALSE(Agrees("4.50", 4.5, 1, 1));
  EXPECT_FALSE(Agrees("5", 5.0, 1, 1));
  EXPECT_FALSE(Agrees("5.", 5.0, 1, 0));
  EXPECT_FALSE(Agrees(".5", 0.5, 1, 1));
  EXPECT_FALSE(Agrees("1e3", 1000, 1, 0));
  EXPECT_FALSE(Agrees("1,000", 1000, 1, 0));
  EXPECT_FALSE(Agrees("nan", 1000, 1, 0));
  EXPECT_FALSE(Agrees("0x9", 9, 1, 0));
  EXPECT_FALSE(Agrees("", 9, 1, 0));
  EXPECT_FALSE(Agrees(" 9", 9, 1, 0));
}

TEST(Quote, NeverAgreesWithANumberThatIsNone) {
  EXPECT_FALSE(Agrees("9", std::numeric_limits<double>::quiet_NaN(), 1, 0));
  EXPECT_FALSE(Agrees("9", std::numeric_limits<double>::infinity(), 1, 0));
}

TEST(Quote, AgreesWithWhatThePrintingOfTheCLibraryGives) {
  // Any plugin that prints value × factor with a fixed number of decimals passes; the next number
  // up does not.
  std::mt19937_64 random(20270304);
  std::uniform_real_distribution<double> values(-1000, 1000);
  for (int i = 0; i < 20000; ++i) {
    const double value = values(random);
    const int decimals = i % 7;
    const double factor = i % 3 == 0 ? 100 : 1;
    const std::string shown = absl::StrFormat("%.*f", decimals, value * factor);
    if (shown.find_first_of("123456789") == std::string::npos) continue;
    EXPECT_TRUE(Agrees(shown, value, factor, decimals)) << shown << " " << value;
    const std::string wrong =
        absl::StrFormat("%.*f", decimals, value * factor + 1.01 * std::pow(10, -decimals));
    EXPECT_FALSE(Agrees(wrong, value, factor, decimals)) << wrong << " " << value;
  }
}

TEST(Quote, StandsInTheTextAsANumberOfItsOwn) {
  EXPECT_TRUE(StandsAsNumberIn("9", "9 days sooner"));
  EXPECT_TRUE(StandsAsNumberIn("9", "sooner by 9."));
  EXPECT_TRUE(StandsAsNumberIn("9", "19, 95, and 9"));
  EXPECT_TRUE(StandsAsNumberIn("4.5", "(4.5)"));
  EXPECT_TRUE(StandsAsNumberIn("62", "62%"));
  EXPECT_FALSE(StandsAsNumberIn("9", "95 % interval"));
  EXPECT_FALSE(StandsAsNumberIn("9", "9.5 days"));
  EXPECT_FALSE(StandsAsNumberIn("5", "9.5 days"));
  EXPECT_FALSE(StandsAsNumberIn("9", "ten days"));
  EXPECT_FALSE(StandsAsNumberIn("", "ten days"));
}

}  // namespace
}  // namespace plumule::analysis
