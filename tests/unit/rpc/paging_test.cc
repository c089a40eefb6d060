#include "server/rpc/paging.h"

#include <gtest/gtest.h>

#include "server/protocol/reason.h"

namespace plumule::rpc {
namespace {

std::string ReasonOfPage(absl::string_view list, absl::string_view parent, std::int32_t size,
                         absl::string_view token) {
  return ReasonOf(ReadPage(list, parent, size, token).status());
}

TEST(ReadPage, ClampsSizes) {
  EXPECT_EQ(ReadPage("L", "p", 0, "")->size, 100);
  EXPECT_EQ(ReadPage("L", "p", 1, "")->size, 1);
  EXPECT_EQ(ReadPage("L", "p", 1000, "")->size, 1000);
  EXPECT_EQ(ReadPage("L", "p", 1001, "")->size, 1000);
  EXPECT_EQ(ReasonOfPage("L", "p", -1, ""), "page_size_not_valid");
}

TEST(ReadPage, GoesOnWhereTheTokenSays) {
  const std::string position("b\0\xff", 3);
  EXPECT_EQ(ReadPage("L", "p", 5, NextToken("L", "p", position))->after, position);
}

TEST(ReadPage, TakesATokenForTheSameListOfTheSameParentOnly) {
  const std::string token = NextToken("L", "p", "x");
  EXPECT_EQ(ReasonOfPage("M", "p", 5, token), "page_token_not_valid");
  EXPECT_EQ(ReasonOfPage("L", "q", 5, token), "page_token_not_valid");
  EXPECT_EQ(ReasonOfPage("L", "p", 5, token + "A"), "page_token_not_valid");
  EXPECT_EQ(ReasonOfPage("L", "p", 5, "x"), "page_token_not_valid");
  EXPECT_EQ(ReasonOfPage("L", "p", 5, "!!"), "page_token_not_valid");
  EXPECT_EQ(ReasonOfPage("L", "p", 5, std::string(4000, 'A')), "page_token_not_valid");
}

TEST(NextToken, IsEmptyAfterTheLastPage) { EXPECT_EQ(NextToken("L", "p", ""), ""); }

}  // namespace
}  // namespace plumule::rpc
