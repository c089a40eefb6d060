#include "server/protocol/version_range.h"

#include <gtest/gtest.h>

#include "server/protocol/reason.h"

namespace plumule::protocol {
namespace {

bool Contains(absl::string_view range, absl::string_view version) {
  return VersionRange::Parse(range)->Contains(*ParseVersion(version));
}

TEST(VersionRange, HoldsWhatAllItsComparisonsHold) {
  EXPECT_TRUE(Contains(">=1.0.0 <2.0.0", "1.0.0"));
  EXPECT_TRUE(Contains(">=1.0.0 <2.0.0", "1.99.3"));
  EXPECT_FALSE(Contains(">=1.0.0 <2.0.0", "2.0.0"));
  EXPECT_FALSE(Contains(">=1.0.0 <2.0.0", "0.9.9"));
  EXPECT_TRUE(Contains("1.2.3", "1.2.3"));
  EXPECT_FALSE(Contains("=1.2.3", "1.2.4"));
  EXPECT_TRUE(Contains(">1.9.0", "1.10.0"));
  EXPECT_FALSE(Contains("<=1.9.0", "1.10.0"));
  EXPECT_TRUE(Contains("", "0.0.1"));
}

TEST(VersionRange, PutsPreReleasesBeforeTheirRelease) {
  EXPECT_FALSE(Contains(">=1.0.0", "1.0.0-rc.1"));
  EXPECT_TRUE(Contains("<1.0.0", "1.0.0-rc.1"));
  EXPECT_TRUE(Contains(">=1.0.0", "1.0.0+build.5"));
}

TEST(VersionRange, RefusesWhatIsNoRange) {
  for (const char* text : {"1", "1.2", "~1.2.3", "^1.0.0", ">=1.0.0,<2.0.0", "01.0.0", "1.0.x",
                           ">= 1.0.0", "1.0.0-", "latest", "1.0.0.0", "-1.0.0"}) {
    EXPECT_EQ(ReasonOf(VersionRange::Parse(text).status()), "version_range_malformed") << text;
  }
}

TEST(VersionRange, KnowsWhetherAnyVersionFits) {
  for (const char* text :
       {"", "1.0.0", ">=1.0.0 <1.0.1", ">1.0.0 <=1.0.1", "<1.0.0", ">0.0.0", "<=0.0.0"}) {
    EXPECT_TRUE(VersionRange::Parse(text)->CanBeSatisfied()) << text;
  }
  for (const char* text :
       {"<0.0.0", ">=2.0.0 <1.0.0", "1.0.0 2.0.0", ">1.0.0 <1.0.1", ">1.0.0 <=1.0.0"}) {
    EXPECT_FALSE(VersionRange::Parse(text)->CanBeSatisfied()) << text;
  }
}

}  // namespace
}  // namespace plumule::protocol
