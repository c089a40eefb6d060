#include "plugins/stats/block_sums.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <vector>

namespace plumule::stats {
namespace {

using testing::ElementsAre;

TEST(BlockSums, AddVectorsWithinBlocksAndForgetTheLabels) {
  const std::vector<double> values = {1, 10, 2, 20, 3, 30, 4, 40};
  const std::vector<std::int32_t> labels = {7, -2, 7, 5};
  const std::vector<std::int32_t> other_labels = {1, 3, 1, 2};
  // Block of rows 0 and 2: (4, 40); row 1: (2, 20); row 3: (4, 40). In order of value.
  EXPECT_THAT(BlockSums(labels, values, 2), ElementsAre(2, 20, 4, 40, 4, 40));
  EXPECT_EQ(BlockSums(labels, values, 2), BlockSums(other_labels, values, 2));
}

TEST(BlockSums, OfNoRowsAreEmpty) {
  EXPECT_THAT(BlockSums({}, {}, 2), ElementsAre());
  EXPECT_THAT(OuterProductSum({}, 2), ElementsAre(0, 0, 0, 0));
}

TEST(OuterProductSum, KeepsWhatPlainAdditionWouldLose) {
  // 1e16 + 1 − 1e16 as squares and products of (1e8, 1e8), (1, 1), (1e8, −1e8).
  const std::vector<double> sums = {1e8, 1e8, 1, 1, 1e8, -1e8};
  EXPECT_EQ(OuterProductSum(sums, 2)[1], 1);
}

TEST(CountDistinct, CountsLabelsOnce) {
  const std::vector<std::int32_t> labels = {4, -1, 4, 9, -1};
  EXPECT_EQ(CountDistinct(labels), 3);
  EXPECT_EQ(CountDistinct({}), 0);
}

}  // namespace
}  // namespace plumule::stats
