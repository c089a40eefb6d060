#include "server/protocol/reason.h"

#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include "server/protocol/status_macros.h"

namespace plumule {
namespace {

TEST(Reason, TravelsWithTheStatus) {
  const absl::Status status = ReasonedError(absl::StatusCode::kNotFound, "study_not_found",
                                            "no study basil", {{"name", "unknown", "mend it"}});
  EXPECT_EQ(status.code(), absl::StatusCode::kNotFound);
  EXPECT_EQ(status.message(), "no study basil");
  EXPECT_EQ(ReasonOf(status), "study_not_found");
  const auto details = DetailsOf(status);
  ASSERT_TRUE(details.has_value());
  EXPECT_EQ(details->violations, (std::vector<FieldViolation>{{"name", "unknown", "mend it"}}));
  EXPECT_FALSE(details->retry_after.has_value());
}

TEST(Reason, CarriesFactsAndTheTimeToWait) {
  absl::Status status = ReasonedError(absl::StatusCode::kUnavailable, "busy", "busy");
  status = WithMetadata(std::move(status), "queue", "12");
  status = WithMetadata(std::move(status), "limit", "");
  status = WithRetryAfter(std::move(status), absl::Milliseconds(1500));
  const auto details = DetailsOf(status);
  ASSERT_TRUE(details.has_value());
  EXPECT_EQ(details->reason, "busy");
  EXPECT_EQ(details->metadata,
            (std::vector<std::pair<std::string, std::string>>{{"queue", "12"}, {"limit", ""}}));
  EXPECT_EQ(details->retry_after, absl::Milliseconds(1500));
}

TEST(Reason, IsEmptyForOtherStatuses) {
  EXPECT_EQ(ReasonOf(absl::OkStatus()), "");
  EXPECT_EQ(ReasonOf(absl::InternalError("x")), "");
  EXPECT_EQ(WithMetadata(absl::InternalError("x"), "a", "b"), absl::InternalError("x"));
  EXPECT_TRUE(WithRetryAfter(absl::OkStatus(), absl::Seconds(1)).ok());
}

TEST(Reason, IsEmptyForAPayloadThatIsNone) {
  absl::Status status = absl::InternalError("x");
  for (const char* bytes : {"", "5:ab", "x", "1:a0:1:9", "1:a0:1:1", "99999999999999999999:a"}) {
    status.SetPayload("plumule/reason", absl::Cord(bytes));
    EXPECT_EQ(ReasonOf(status), "") << bytes;
  }
}

RC_GTEST_PROP(Reason, KeepsAnyBytes,
              (const std::string& reason, const std::string& key, const std::string& value,
               const std::string& field)) {
  absl::Status status = WithMetadata(
      ReasonedError(absl::StatusCode::kInternal, reason, "", {{field, key, value}}), key, value);
  const auto details = DetailsOf(status);
  RC_ASSERT(details.has_value());
  RC_ASSERT(details->reason == reason);
  RC_ASSERT(details->metadata[0] == std::make_pair(key, value));
  RC_ASSERT(details->violations[0] == (FieldViolation{field, key, value}));
}

absl::StatusOr<int> Half(int number) {
  if (number % 2 != 0) return ReasonedError(absl::StatusCode::kInvalidArgument, "odd", "odd");
  return number / 2;
}

absl::StatusOr<int> Quarter(int number) {
  PLUMULE_ASSIGN_OR_RETURN(const int half, Half(number));
  PLUMULE_RETURN_IF_ERROR(Half(half).status());
  return Half(half);
}

TEST(StatusMacros, ReturnTheFirstError) {
  EXPECT_EQ(*Quarter(8), 2);
  EXPECT_EQ(ReasonOf(Quarter(7).status()), "odd");
  EXPECT_EQ(ReasonOf(Quarter(6).status()), "odd");
}

}  // namespace
}  // namespace plumule
