#include "clients/cpp/back_off.h"

#include <gtest/gtest.h>

#include "google/rpc/status.pb.h"

namespace plumule::client {
namespace {

const absl::Status kAway = absl::UnavailableError("away");

absl::Status BusyFor(absl::Duration delay) {
  google::rpc::RetryInfo info;
  info.mutable_retry_delay()->set_seconds(absl::ToInt64Seconds(delay));
  google::rpc::Status rich;
  rich.add_details()->PackFrom(info);
  absl::Status status = absl::ResourceExhaustedError("busy");
  status.SetPayload("type.googleapis.com/google.rpc.Status", absl::Cord(rich.SerializeAsString()));
  return status;
}

TEST(BackOff, DoublesUpToItsLimit) {
  BackOff back_off({.attempts = 9, .first = absl::Seconds(1), .longest = absl::Seconds(5)},
                   [] { return 1.0; });
  EXPECT_EQ(back_off.Next(kAway), absl::Seconds(1));
  EXPECT_EQ(back_off.Next(kAway), absl::Seconds(2));
  EXPECT_EQ(back_off.Next(kAway), absl::Seconds(4));
  EXPECT_EQ(back_off.Next(kAway), absl::Seconds(5));
}

TEST(BackOff, DrawsEachWaitFromTheUpperHalf) {
  BackOff back_off({.first = absl::Seconds(8), .longest = absl::Seconds(8)}, [] { return 0.25; });
  EXPECT_EQ(back_off.Next(kAway), absl::Seconds(5));
}

TEST(BackOff, WaitsAtLeastAsLongAsTheServerAsks) {
  BackOff back_off({.first = absl::Seconds(1)}, [] { return 0.0; });
  EXPECT_EQ(back_off.Next(BusyFor(absl::Seconds(30))), absl::Seconds(30));
}

TEST(BackOff, RetriesWhatIsTransientAsOftenAsAllowed) {
  BackOff back_off({.attempts = 3}, [] { return 0.0; });
  EXPECT_FALSE(back_off.MayRetry(absl::InvalidArgumentError("no")));
  EXPECT_FALSE(back_off.MayRetry(absl::ResourceExhaustedError("too large")));
  EXPECT_TRUE(back_off.MayRetry(BusyFor(absl::Seconds(1))));
  EXPECT_TRUE(back_off.MayRetry(kAway));
  back_off.Next(kAway);
  EXPECT_TRUE(back_off.MayRetry(kAway));
  back_off.Next(kAway);
  EXPECT_FALSE(back_off.MayRetry(kAway));
  back_off.Reset();
  EXPECT_TRUE(back_off.MayRetry(kAway));
}

}  // namespace
}  // namespace plumule::client
