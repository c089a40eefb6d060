// Records that come before what they rest on.
#include <gtest/gtest.h>

#include "server/log/log_reader.h"
#include "server/log/study_reader.h"
#include "server/store/memory_store.h"
#include "tests/unit/intake/placed_pair.h"

namespace plumule::intake {
namespace {

class Pending : public testing::Test {
 protected:
  std::string Now(const v1::Record& record) { return Short(study_.Judge(record)); }

  PairStudy study_;
  store::MemoryStore& store_ = study_.store();
  RecordMaker& make_ = study_.make;
};

TEST_F(Pending, WaitsThroughEveryStageAndIsJudgedInTheEnd) {
  const v1::Record look = make_.Observed("b", "c", "2027-03-08", {Number("shoot", 9, "mm")});
  const v1::Record unit = make_.UnitStarted("b", "c", "control", "2027-03-02");
  const v1::Record block = make_.BlockStarted("g", "b");
  EXPECT_EQ(Short(study_.Judge(look)), "pending");
  EXPECT_EQ(Short(study_.Judge(unit)), "pending");
  EXPECT_EQ(Short(study_.Judge(block)), "pending");
  EXPECT_EQ(log::ListPending(store_, study_.name(), 10, "").value().items.size(), 3u);
  EXPECT_EQ(Short(study_.Judge(make_.Joined("g"))), "taken");
  EXPECT_EQ(Now(block), "taken");
  EXPECT_EQ(Now(unit), "taken");
  EXPECT_EQ(Now(look), "taken");
  EXPECT_EQ(log::ListPending(store_, study_.name(), 10, "").value().items.size(), 0u);
  // Published, four records, three settlements.
  EXPECT_EQ(log::ReadHead(store_, study_.name()).value().sequence, 8);
}

TEST_F(Pending, IsRefusedInTheEndIfItDoesNotFit) {
  const v1::Record look = make_.Observed("b", "c", "2027-03-01", {Number("shoot", 9, "mm")});
  ASSERT_EQ(Short(study_.Judge(make_.Joined("g"))), "taken");
  ASSERT_EQ(Short(study_.Judge(make_.BlockStarted("g", "b"))), "taken");
  ASSERT_EQ(Short(study_.Judge(look)), "pending");
  ASSERT_EQ(Short(study_.Judge(make_.UnitStarted("b", "c", "control", "2027-03-02"))), "taken");
  EXPECT_EQ(Now(look), "refused happened_on:before_start");
  EXPECT_EQ(log::ReadProgress(store_, study_.name()).value().observations(), 0);
}

TEST_F(Pending, ACorrectionWaitsForWhatItCorrects) {
  study_.StartPair();
  const v1::Record look = make_.Observed("b", "c", "2027-03-08", {Number("shoot", 60, "mm")});
  const v1::Record correction = make_.Withdrawn(look);
  EXPECT_EQ(Short(study_.Judge(correction)), "pending");
  EXPECT_EQ(Short(study_.Judge(look)), "taken");
  EXPECT_EQ(Now(correction), "taken");
  EXPECT_EQ(log::ReadProgress(store_, study_.name()).value().observations(), 0);
}

}  // namespace
}  // namespace plumule::intake
