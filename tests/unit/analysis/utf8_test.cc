#include "server/analysis/utf8.h"

#include <gtest/gtest.h>

#include <string>

namespace plumule::analysis {
namespace {

// Well- and ill-formed sequences: The Unicode Standard 15.0, table 3-7 and the examples of D92.
TEST(Utf8, TellsWellFormedSequences) {
  for (const char* text : {"", "basil", "Grüße", "\xe2\x88\x92", "\xf0\x9f\x8c\xb1", "\xed\x9f\xbf",
                           "\xee\x80\x80", "\xf4\x8f\xbf\xbf"}) {
    EXPECT_TRUE(IsUtf8(text)) << text;
  }
  for (const char* text :
       {"\x80", "\xc0\xaf", "\xc1\xbf", "\xe0\x9f\xbf", "\xed\xa0\x80", "\xf0\x8f\xbf\xbf",
        "\xf4\x90\x80\x80", "\xf5\x80\x80\x80", "\xe2\x88", "\xc3", "a\xff"}) {
    EXPECT_FALSE(IsUtf8(text)) << text;
  }
}

TEST(Utf8, MakesAnythingReadable) {
  const std::string mark = "\xef\xbf\xbd";
  EXPECT_EQ(Readable("line\n\ttwo"), "line\n\ttwo");
  EXPECT_EQ(Readable(std::string("a\0b", 3)), "a" + mark + "b");
  EXPECT_EQ(Readable("\x1b[2J\xe2\x88"), mark + "[2J" + mark + mark);
}

TEST(Utf8, CutsBetweenCharacters) {
  EXPECT_EQ(Utf8Prefix("aü", 3), "aü");
  EXPECT_EQ(Utf8Prefix("aü", 2), "a");
  EXPECT_EQ(Utf8Prefix("ü", 1), "");
}

}  // namespace
}  // namespace plumule::analysis
