#include "plugins/sdk/follow_up.h"

#include <gtest/gtest.h>

namespace plumule::sdk {
namespace {

study::v1::Calendar Dates(const char* opens, const char* start_by, const char* closes) {
  study::v1::Calendar calendar;
  calendar.set_opens_on(opens);
  calendar.set_start_by(start_by);
  calendar.set_closes_on(closes);
  return calendar;
}

TEST(FollowUp, RunsFromFirstAndLastStartToTheClose) {
  const auto follow_up = PlannedFollowUp(Dates("2027-02-20", "2027-03-01", "2027-05-01"));
  ASSERT_TRUE(follow_up);
  EXPECT_EQ(follow_up->longest, 70);
  EXPECT_EQ(follow_up->shortest.value(), 61);
}

TEST(FollowUp, CountsTheLeapDay) {
  EXPECT_EQ(PlannedFollowUp(Dates("2028-02-28", "", "2028-03-01"))->longest, 2);
  EXPECT_EQ(PlannedFollowUp(Dates("2027-02-28", "", "2027-03-01"))->longest, 1);
}

TEST(FollowUp, WithoutALastDayToStartHasNoShortest) {
  EXPECT_FALSE(PlannedFollowUp(Dates("2027-03-01", "", "2027-05-01"))->shortest);
  EXPECT_FALSE(PlannedFollowUp(Dates("2027-03-01", "2027-06-01", "2027-05-01"))->shortest);
}

TEST(FollowUp, IsUnknownWithoutDatesInOrder) {
  EXPECT_FALSE(PlannedFollowUp({}));
  EXPECT_FALSE(PlannedFollowUp(Dates("2027-03-01", "", "")));
  EXPECT_FALSE(PlannedFollowUp(Dates("2027-05-01", "", "2027-05-01")));
  EXPECT_FALSE(PlannedFollowUp(Dates("soon", "", "2027-05-01")));
}

}  // namespace
}  // namespace plumule::sdk
