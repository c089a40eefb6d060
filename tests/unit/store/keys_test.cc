// The bytes of keys are a file format: these must never change under one layout version.
#include "server/store/keys.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <string>
#include <vector>

#include "server/protocol/reason.h"
#include "server/store/store.h"

namespace plumule::store {
namespace {

const StudyName kStudy{"balcony", "basil"};

TEST(Keys, HaveTheseBytesUnderLayoutOne) {
  ASSERT_EQ(kLayoutVersion, 1);
  EXPECT_EQ(LayoutKey(), "@");
  EXPECT_EQ(CommunityKey("balcony"), std::string("cbalcony\0", 9));
  EXPECT_EQ(AccessKeyKey("abcd2345"), std::string("kabcd2345\0", 10));
  EXPECT_EQ(CommunityAccessKeyKey("balcony", "abcd2345"), std::string("Kbalcony\0abcd2345\0", 18));
  EXPECT_EQ(StudyKey(kStudy), std::string("sbalcony\0basil\0", 15));
  EXPECT_EQ(StudyStateKey(kStudy), std::string("Sbalcony\0basil\0", 15));
  EXPECT_EQ(LogEntryKey(kStudy, 258), std::string("ebalcony\0basil\0\0\0\0\0\0\0\1\2", 23));
  EXPECT_EQ(LogHeadKey(kStudy), std::string("hbalcony\0basil\0", 15));
  EXPECT_EQ(GrowerKey(kStudy, "g1"), std::string("gbalcony\0basil\0g1\0", 18));
  EXPECT_EQ(BlockKey(kStudy, "b1"), std::string("bbalcony\0basil\0b1\0", 18));
  EXPECT_EQ(UnitKey(kStudy, "b1", "u1"), std::string("bbalcony\0basil\0b1\0u1\0", 21));
  EXPECT_EQ(RecordIndexKey(kStudy, "id"), std::string("ibalcony\0basil\0id\0", 18));
  EXPECT_EQ(WaitKey(kStudy, "block/b1"), std::string("wbalcony\0basil\0block/b1\0", 24));
  EXPECT_EQ(PendingKey(kStudy, 1), std::string("pbalcony\0basil\0\0\0\0\0\0\0\0\1", 23));
  EXPECT_EQ(UniqueKey(kStudy, "tag", "DDDD"), std::string("ubalcony\0basil\0tag\0DDDD", 23));
  EXPECT_EQ(FreezeKey(kStudy, 1), std::string("fbalcony\0basil\0\0\0\0\0\0\0\0\1", 23));
  EXPECT_EQ(RefusedKey(kStudy, "id"), std::string("rbalcony\0basil\0id\0", 18));
  EXPECT_EQ(RefusedArrivalKey(kStudy, 1),
            std::string("Rbalcony\0basil\0\xff\xff\xff\xff\xff\xff\xff\xfe", 23));
  EXPECT_EQ(RefusedCountKey(kStudy), std::string("qbalcony\0basil\0", 15));
  EXPECT_EQ(RunKey(kStudy, "run"), std::string("abalcony\0basil\0run\0", 19));
  EXPECT_EQ(ResultKey(kStudy, "res"), std::string("nbalcony\0basil\0res\0", 19));
  EXPECT_EQ(ResultCacheKey("DDDD"), "mDDDD");
  EXPECT_EQ(ServerKey("pepper"), std::string("xpepper\0", 8));
}

TEST(Keys, OrderBlocksBytewiseEachFollowedByItsUnits) {
  const std::vector<std::string> ordered = {
      BlockKey(kStudy, "b"),       UnitKey(kStudy, "b", "1"), UnitKey(kStudy, "b", "10"),
      UnitKey(kStudy, "b", "2"),   BlockKey(kStudy, "b-"),    BlockKey(kStudy, "b.1"),
      UnitKey(kStudy, "b.1", "0"), BlockKey(kStudy, "ba"),
  };
  EXPECT_TRUE(std::is_sorted(ordered.begin(), ordered.end()));
}

TEST(Keys, KeepStudiesApartWhoseNamesBeginAlike) {
  const std::string prefix = LogPrefix({"balcony", "bas"});
  EXPECT_NE(LogEntryKey(kStudy, 1).compare(0, prefix.size(), prefix), 0);
}

TEST(Keys, OrderNumbersByValueAndReversedOnesBackwards) {
  EXPECT_LT(LogEntryKey(kStudy, 255), LogEntryKey(kStudy, 256));
  EXPECT_GT(RunOrderKey(kStudy, 255), RunOrderKey(kStudy, 256));
}

TEST(Keys, ComeApartAgain) {
  EXPECT_EQ(SequenceOf(LogEntryKey(kStudy, 1234567890123)), 1234567890123);
  EXPECT_EQ(ReversedNumberOf(RunOrderKey(kStudy, 77)), 77);
  const std::string unit = UnitKey(kStudy, "b1", "u1");
  EXPECT_EQ(TextPartOf(unit, 1), "basil");
  EXPECT_EQ(TextPartOf(unit, 3), "u1");
  EXPECT_EQ(TextPartOf(BlockKey(kStudy, "b1"), 3), "");
}

TEST(StudyName, ReadsItsOwnFormatAndRefusesOthers) {
  EXPECT_EQ(ParseStudyName(kStudy.Format()).value(), kStudy);
  for (const char* wrong :
       {"", "communities/balcony", "communities/B/studies/basil", "communities/balcony/studies/",
        "communities/balcony/runs/basil", "communities/balcony/studies/basil/freezes/1"}) {
    EXPECT_EQ(ReasonOf(ParseStudyName(wrong).status()), "name_not_valid") << wrong;
  }
}

}  // namespace
}  // namespace plumule::store
