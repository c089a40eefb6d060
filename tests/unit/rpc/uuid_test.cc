#include "clients/cpp/uuid.h"

#include <gtest/gtest.h>

#include <regex>
#include <set>

namespace plumule::client {
namespace {

TEST(NewUuid, IsARandomUuidOfVersion4) {
  const std::regex form("[0-9a-f]{8}-[0-9a-f]{4}-4[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}");
  std::set<std::string> seen;
  for (int i = 0; i < 200; ++i) {
    const std::string id = NewUuid();
    EXPECT_TRUE(std::regex_match(id, form)) << id;
    seen.insert(id);
  }
  EXPECT_EQ(seen.size(), 200u);
}

TEST(UuidOf, IsTheSameForTheSameNamesAndHasVersion8) {
  const std::regex form("[0-9a-f]{8}-[0-9a-f]{4}-8[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}");
  EXPECT_EQ(UuidOf({"file", "row 1"}), UuidOf({"file", "row 1"}));
  EXPECT_TRUE(std::regex_match(UuidOf({"file", "row 1"}), form));
  // printf '\2\0\0\0\0\0\0\0ab\1\0\0\0\0\0\0\0c' | sha256sum, with version and variant set.
  EXPECT_EQ(UuidOf({"ab", "c"}), "43ee6555-79de-81ca-b39b-3f95c1c2d3f4");
}

TEST(UuidOf, TellsNamesApartWhereverTheyAreCut) {
  EXPECT_NE(UuidOf({"ab", "c"}), UuidOf({"a", "bc"}));
  EXPECT_NE(UuidOf({"abc"}), UuidOf({"abc", ""}));
  EXPECT_NE(UuidOf({}), UuidOf({""}));
}

}  // namespace
}  // namespace plumule::client
