#include "clients/cli/import/cell_matching.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "clients/cli/import/heading_words.h"

namespace plumule::cli {
namespace {

using ::testing::ElementsAre;

const std::vector<NamedMember> kPlaces = {{"windowsill", "indoors on a windowsill"},
                                          {"lamp", "indoors under a lamp"},
                                          {"outdoors", "outdoors"}};
const std::vector<NamedMember> kMixes = {
    {"compost", "peat-free compost"}, {"garden_soil", "garden soil"}, {"sand", "sand"}};

TEST(MatchMember, KnowsIdsAndLabelsWhateverTheirCase) {
  const auto match = MatchMember("Garden soil", kMixes);
  ASSERT_TRUE(match.has_value());
  EXPECT_EQ(match->id, "garden_soil");
  EXPECT_TRUE(match->exact);
}

TEST(MatchMember, MarksAMatchOfPartOfTheWords) {
  const auto match = MatchMember("under a lamp", kPlaces);
  ASSERT_TRUE(match.has_value());
  EXPECT_EQ(match->id, "lamp");
  EXPECT_FALSE(match->exact);
}

TEST(MatchMember, DoesNotChooseAmongSeveral) {
  EXPECT_FALSE(MatchMember("indoors", kPlaces).has_value());
  EXPECT_FALSE(MatchMember("greenhouse", kPlaces).has_value());
  EXPECT_FALSE(MatchMember("", kPlaces).has_value());
}

TEST(ReadLists, FindsWhatPartsTheMembersOfACell) {
  const ListReading reading = ReadLists({"sand; compost", "garden soil"}, kMixes, true);
  EXPECT_EQ(reading.separator, ";");
  EXPECT_THAT(reading.pieces, ElementsAre("sand", "compost", "garden soil"));
  EXPECT_EQ(reading.matched, 3U);
}

TEST(ReadLists, PartsNothingWhereACellHoldsOneMember) {
  EXPECT_EQ(ReadLists({"sand, compost"}, kMixes, false).separator, "");
  EXPECT_EQ(ReadLists({"sand", "compost"}, kMixes, true).separator, "");
}

TEST(QuantityInHeading, ReadsANumberWithItsUnit) {
  const auto apart = QuantityInHeading("Husk on 5 cm on");
  ASSERT_TRUE(apart.has_value());
  EXPECT_EQ(apart->value, 5);
  EXPECT_EQ(apart->unit, "cm");
  const auto together = QuantityInHeading("shoot_50mm_day");
  ASSERT_TRUE(together.has_value());
  EXPECT_EQ(together->value, 50);
  EXPECT_EQ(together->unit, "mm");
  EXPECT_FALSE(QuantityInHeading("seed 2 sown").has_value());
}

}  // namespace
}  // namespace plumule::cli
