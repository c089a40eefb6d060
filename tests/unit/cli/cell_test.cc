#include "clients/cli/table/cell.h"

#include <gtest/gtest.h>

namespace plumule::cli {
namespace {

TEST(ParseNumber, ReadsDecimalsWithTheStatedMark) {
  EXPECT_EQ(ParseNumber("12.5"), 12.5);
  EXPECT_EQ(ParseNumber("12,5", ','), 12.5);
  EXPECT_EQ(ParseNumber("-0.25"), -0.25);
  EXPECT_EQ(ParseNumber("+3"), 3);
  EXPECT_EQ(ParseNumber("1e-3"), 0.001);
  EXPECT_EQ(ParseNumber("\xE2\x88\x92"
                        "4"),
            -4);
}

TEST(ParseNumber, RefusesWhatIsNotAFiniteDecimalNumber) {
  for (const char* cell : {"", "12,5", "1,234.5", "nan", "inf", "0x10", "5 mm", "--3", "+-3",
                           "1e999", "1.2.3", " 5"}) {
    EXPECT_FALSE(ParseNumber(cell).has_value()) << cell;
  }
  EXPECT_FALSE(ParseNumber("12.5", ',').has_value());
}

TEST(ParseWhole, ReadsWholeNumbersOnly) {
  EXPECT_EQ(ParseWhole("42"), 42);
  EXPECT_FALSE(ParseWhole("4.0").has_value());
  EXPECT_FALSE(ParseWhole("99999999999999999999").has_value());
  EXPECT_FALSE(ParseWhole("").has_value());
}

}  // namespace
}  // namespace plumule::cli
