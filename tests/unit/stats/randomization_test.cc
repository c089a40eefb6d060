#include "plugins/stats/randomization.h"

#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <numeric>
#include <vector>

namespace plumule::stats {
namespace {

struct Scored {
  std::vector<double> score = {};
  std::vector<std::uint8_t> treated = {};
  std::vector<std::int32_t> block = {};
  void Add(int in_block, bool is_treated, double value) {
    block.push_back(in_block);
    treated.push_back(is_treated ? 1 : 0);
    score.push_back(value);
  }
  ScoredUnits view() const { return {.score = score, .treated = treated, .block = block}; }
};

// Heights of 15 pairs of cross- and self-fertilized Zea mays in eighths of an inch, differences
// cross less self, as in Fisher 1935, The Design of Experiments, §17 and §21 (Darwin 1876).
constexpr int kDarwin[] = {49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48};

TEST(Randomization, GivesFishersCountOfDarwinsPairs) {
  Scored pairs;
  for (int i = 0; i < 15; ++i) {
    pairs.Add(i, true, kDarwin[i]);
    pairs.Add(i, false, 0);
  }
  const auto test = TestRandomizationWithinBlock(pairs.view(), {});
  ASSERT_TRUE(test.ok()) << test.status();
  EXPECT_TRUE(test->exact);
  EXPECT_EQ(test->arrangements, 32768);
  // Fisher §21: 863 of 32,768 on either side reach the observed sum of 314: 5.267 %.
  EXPECT_NEAR(test->p_value.value() * 32768, 2 * 863, 1e-6);
  EXPECT_NEAR(test->difference, 314.0 / 15, 1e-12);
}

TEST(Randomization, DrawnComesNearToExact) {
  Scored pairs;
  for (int i = 0; i < 15; ++i) {
    pairs.Add(i, true, kDarwin[i]);
    pairs.Add(i, false, 0);
  }
  const auto test =
      TestRandomizationWithinBlock(pairs.view(), {.exact_bits = 1, .draws = 99'999, .seed = 3});
  ASSERT_TRUE(test.ok());
  EXPECT_FALSE(test->exact);
  const double exact = 2 * 863.0 / 32768;
  EXPECT_NEAR(test->p_value.value(), exact, 5 * std::sqrt(exact * (1 - exact) / 1e5));
  EXPECT_EQ(test->draws, 99'999);
}

TEST(Randomization, OfLargerBlocksDrawnComesNearToExactToo) {
  Scored units;
  for (int i = 0; i < 4; ++i) {
    for (int k = 0; k < 6; ++k) units.Add(i, k < 2, std::sqrt(3 * i + 7 * k) - (k < 2 ? 1 : 0));
  }
  const auto exact = TestRandomizationWithinBlock(units.view(), {});
  ASSERT_TRUE(exact->exact);
  EXPECT_EQ(exact->arrangements, 15 * 15 * 15 * 15);
  const auto drawn =
      TestRandomizationWithinBlock(units.view(), {.exact_bits = 1, .draws = 99'999, .seed = 9});
  const double p = *exact->p_value;
  EXPECT_NEAR(*drawn->p_value, p, 5 * std::sqrt(p * (1 - p) / 1e5));
}

TEST(Randomization, OfALargeSingleBlockIsDrawnAndNotListed) {
  Scored units;
  for (int k = 0; k < 36; ++k) units.Add(0, k % 2 == 0, k % 7);
  const auto test = TestRandomizationWithinBlock(units.view(), {.draws = 99});
  ASSERT_TRUE(test.ok());
  EXPECT_FALSE(test->exact);  // 9·10⁹ choices would be one list
  EXPECT_TRUE(test->p_value);
}

TEST(Randomization, WithoutAnythingToExchangeHasNoPValue) {
  Scored apart;
  apart.Add(0, true, 3);
  apart.Add(1, false, 5);
  const auto one_arm = TestRandomizationWithinBlock(apart.view(), {});
  ASSERT_TRUE(one_arm.ok());
  EXPECT_FALSE(one_arm->p_value);
  EXPECT_EQ(one_arm->exchanged, 0);
  Scored alike;
  for (int i = 0; i < 5; ++i) {
    alike.Add(i, true, i);
    alike.Add(i, false, i);
  }
  EXPECT_FALSE(TestRandomizationWithinBlock(alike.view(), {})->p_value);
}

TEST(Randomization, RefusesWhatItCannotRead) {
  Scored units;
  units.Add(0, true, 1);
  EXPECT_FALSE(TestRandomizationWithinBlock(units.view(), {}).ok());  // no control
  units.Add(0, false, NAN);
  EXPECT_FALSE(TestRandomizationWithinBlock(units.view(), {}).ok());
  units.score[1] = 2;
  EXPECT_TRUE(TestRandomizationWithinBlock(units.view(), {}).ok());
  EXPECT_FALSE(TestRandomizationWithinBlock(units.view(), {.exact_bits = 41}).ok());
  EXPECT_FALSE(TestRandomizationWithinBlock(units.view(), {.draws = 0}).ok());
  units.block.pop_back();
  EXPECT_FALSE(TestRandomizationWithinBlock(units.view(), {}).ok());
}

RC_GTEST_PROP(Randomization, IsUntouchedByOrderLabelsAndWhatABlockHasInCommon, ()) {
  Scored units;
  const int blocks = *rc::gen::inRange(1, 7);
  for (int i = 0; i < blocks; ++i) {
    const int size = *rc::gen::inRange(1, 4);
    for (int k = 0; k < size; ++k) units.Add(i, (i + k) % 2 == 0, *rc::gen::inRange(-20, 20) / 8.0);
  }
  units.Add(blocks, true, 0.5);
  units.Add(blocks, false, 0.25);
  const int bits = *rc::gen::element(1, 34);
  const RandomizationOptions options = {.exact_bits = bits, .draws = 99, .seed = 4};
  const auto test = TestRandomizationWithinBlock(units.view(), options);

  std::vector<std::size_t> order(units.score.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::reverse(order.begin(), order.end());
  Scored other;
  for (const std::size_t row : order) {
    // Shifts by multiples of 1/8 are exact.
    other.Add(100 - units.block[row], units.treated[row] != 0, units.score[row]);
  }
  const auto again = TestRandomizationWithinBlock(other.view(), options);
  RC_ASSERT(test.ok() && again.ok());
  RC_ASSERT(test->p_value == again->p_value);

  for (std::size_t row = 0; row < other.score.size(); ++row) other.score[row] += other.block[row];
  const auto shifted =
      TestRandomizationWithinBlock(other.view(), {.exact_bits = 34, .draws = 99, .seed = 4});
  const auto unshifted = TestRandomizationWithinBlock(units.view(), {.draws = 99, .seed = 4});
  RC_ASSERT(shifted->p_value.has_value() == unshifted->p_value.has_value());
  if (shifted->p_value) RC_ASSERT(std::abs(*shifted->p_value - *unshifted->p_value) < 1e-12);
}

}  // namespace
}  // namespace plumule::stats
