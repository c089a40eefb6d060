#include "server/analysis/fair_queue.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace plumule::analysis {
namespace {

using ::testing::ElementsAre;

std::vector<int> Empty(FairQueue<int>& queue) {
  std::vector<int> items;
  while (!queue.empty()) items.push_back(queue.Pop());
  return items;
}

TEST(FairQueue, ServesPartiesInTurnAndEachInItsOrder) {
  FairQueue<int> queue;
  for (const int item : {11, 12, 13, 14}) queue.Push("busy", item);
  queue.Push("quiet", 21);
  queue.Push("calm", 31);
  queue.Push("quiet", 22);
  EXPECT_EQ(queue.size(), 7U);
  EXPECT_EQ(queue.size_of("busy"), 4U);
  EXPECT_THAT(Empty(queue), ElementsAre(11, 21, 31, 12, 22, 13, 14));
  EXPECT_EQ(queue.size(), 0U);
}

TEST(FairQueue, GivesNobodyTwoTurnsForComingBack) {
  FairQueue<int> queue;
  queue.Push("a", 1);
  queue.Push("b", 2);
  EXPECT_EQ(queue.Pop(), 1);
  queue.Push("a", 3);
  EXPECT_THAT(Empty(queue), ElementsAre(2, 3));
}

TEST(FairQueue, LetsItemsBeTakenOut) {
  FairQueue<int> queue;
  queue.Push("a", 1);
  queue.Push("b", 2);
  queue.Push("a", 3);
  EXPECT_TRUE(queue.Remove("a", 1));
  EXPECT_FALSE(queue.Remove("a", 1));
  EXPECT_TRUE(queue.Remove("b", 2));
  EXPECT_FALSE(queue.Remove("c", 2));
  EXPECT_THAT(Empty(queue), ElementsAre(3));
}

}  // namespace
}  // namespace plumule::analysis
