#include "server/access/resource_name.h"

#include <gtest/gtest.h>

#include "server/protocol/reason.h"

namespace plumule::access {
namespace {

constexpr struct {
  ResourceKind kind;
  const char* name;
} kNames[] = {
    {ResourceKind::kCommunity, "communities/balcony"},
    {ResourceKind::kKey, "communities/balcony/keys/k3v7q2ma"},
    {ResourceKind::kStudy, "communities/balcony/studies/basil-2027"},
    {ResourceKind::kFreeze, "communities/balcony/studies/basil-2027/freezes/12"},
    {ResourceKind::kRun, "communities/balcony/studies/basil-2027/runs/7"},
    {ResourceKind::kResult, "communities/balcony/studies/basil-2027/results/7-a"},
};

TEST(ResourceName, IsReadByItsOwnKindAndNoOther) {
  for (const auto& [kind, name] : kNames) {
    for (const auto& other : kNames) {
      const auto read = ParseResourceName(other.kind, "name", name);
      ASSERT_EQ(read.ok(), kind == other.kind) << name;
      if (read.ok()) {
        EXPECT_EQ(read->Format(), name);
      }
    }
  }
}

TEST(ResourceName, RefusesWhatIsNoNameAndSaysWhichField) {
  for (const char* bad :
       {"", "communities", "communities/", "communities/ab", "communities/Balcony",
        "communities/balcony/", "/communities/balcony", "communities/balcony/studies",
        "communities/1balcony", "communities/balcony\n",
        "communities/a23456789012345678901234567890123456789x1"}) {
    const auto read = ParseResourceName(ResourceKind::kCommunity, "parent", bad);
    ASSERT_FALSE(read.ok()) << bad;
    EXPECT_EQ(ReasonOf(read.status()), "name_not_valid");
    EXPECT_EQ(DetailsOf(read.status())->violations.at(0).field, "parent");
  }
}

TEST(ResourceName, TakesIdsOfThreeToFortyCharacters) {
  EXPECT_FALSE(IsChosenId("ab"));
  EXPECT_TRUE(IsChosenId("abc"));
  EXPECT_TRUE(IsChosenId(std::string(40, 'a')));
  EXPECT_FALSE(IsChosenId(std::string(41, 'a')));
}

}  // namespace
}  // namespace plumule::access
