#include "plugins/sdk/words.h"

#include <gtest/gtest.h>

#include <vector>

namespace plumule::sdk {
namespace {

TEST(Words, NumbersNeverShowAMinusBeforeNothing) {
  EXPECT_EQ(Decimal(-0.04, 1), "0.0");
  EXPECT_EQ(Decimal(-0.06, 1), "-0.1");
  EXPECT_EQ(Decimal(2.345, 0), "2");
}

TEST(Words, ShortNumbersHaveNoTrailingZeros) {
  EXPECT_EQ(Short(30, 2), "30");
  EXPECT_EQ(Short(12.5, 2), "12.5");
  EXPECT_EQ(Short(100, 0), "100");
  EXPECT_EQ(Short(0.004, 2), "0");
}

TEST(Words, CountsTakeTheirNoun) {
  EXPECT_EQ(Counted(1, "seed", "seeds"), "1 seed");
  EXPECT_EQ(Counted(0, "seed", "seeds"), "0 seeds");
}

TEST(Words, ListsEndWithAnd) {
  EXPECT_EQ(ListOf({}), "");
  EXPECT_EQ(ListOf(std::vector<std::string>{"a"}), "a");
  EXPECT_EQ(ListOf(std::vector<std::string>{"a", "b", "c"}), "a, b and c");
}

TEST(Words, PValuesAreNeverZero) {
  EXPECT_EQ(PValueWords(1e-9), "below 0.001");
  EXPECT_EQ(PValueWords(0.0123), "0.012");
}

TEST(Words, LevelsArePercents) {
  EXPECT_EQ(IntervalWords(0.95), "95 % interval");
  EXPECT_EQ(IntervalWords(0.975), "97.5 % interval");
}

}  // namespace
}  // namespace plumule::sdk
