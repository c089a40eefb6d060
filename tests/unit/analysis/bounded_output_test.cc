#include "server/analysis/bounded_output.h"

#include <gtest/gtest.h>

namespace plumule::analysis {
namespace {

TEST(BoundedOutput, KeepsShortOutputWhole) {
  BoundedOutput output(10);
  output.Append("abcde");
  output.Append("fghij");
  EXPECT_EQ(output.Text(), "abcdefghij");
}

TEST(BoundedOutput, SaysHowMuchOfTheMiddleItLeftOut) {
  BoundedOutput output(10);
  output.Append("abcdefghijk");
  EXPECT_EQ(output.Text(), "abcde\n[1 bytes of output left out]\nghijk");
  for (int i = 0; i < 1000; ++i) output.Append("0123456789");
  EXPECT_EQ(output.Text(), "abcde\n[10001 bytes of output left out]\n56789");
  EXPECT_EQ(output.total(), 10011);
}

TEST(BoundedOutput, IsReadableWhateverComes) {
  BoundedOutput output(100);
  output.Append("a\x1b[31m\xff");
  EXPECT_EQ(output.Text(), "a\xef\xbf\xbd[31m\xef\xbf\xbd");
}

}  // namespace
}  // namespace plumule::analysis
