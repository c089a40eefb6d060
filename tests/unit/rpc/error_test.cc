#include "server/rpc/error.h"

#include <gtest/gtest.h>

#include "google/rpc/status.pb.h"
#include "server/protocol/reason.h"

namespace plumule::rpc {
namespace {

google::rpc::Status Rich(const grpc::Status& status) {
  google::rpc::Status rich;
  EXPECT_TRUE(rich.ParseFromString(status.error_details()));
  return rich;
}

template <class Detail>
std::optional<Detail> Find(const grpc::Status& status) {
  const google::rpc::Status rich = Rich(status);
  for (const auto& any : rich.details()) {
    Detail detail;
    if (any.UnpackTo(&detail)) return detail;
  }
  return std::nullopt;
}

TEST(ToGrpcStatus, KeepsCodeMessageReasonAndFacts) {
  const grpc::Status status = ToGrpcStatus(WithMetadata(
      ReasonedError(absl::StatusCode::kNotFound, "study_not_found", "there is no study `basil`"),
      "study", "basil"));
  EXPECT_EQ(status.error_code(), grpc::StatusCode::NOT_FOUND);
  EXPECT_EQ(status.error_message(), "there is no study `basil`");
  EXPECT_EQ(Rich(status).code(), static_cast<int>(grpc::StatusCode::NOT_FOUND));
  const auto info = Find<google::rpc::ErrorInfo>(status);
  ASSERT_TRUE(info.has_value());
  EXPECT_EQ(info->reason(), "study_not_found");
  EXPECT_EQ(info->domain(), "plumule");
  EXPECT_EQ(info->metadata().at("study"), "basil");
}

TEST(ToGrpcStatus, KeepsEveryFieldViolation) {
  const grpc::Status status =
      ToGrpcStatus(ReasonedError(absl::StatusCode::kInvalidArgument, "protocol_has_problems", "two",
                                 {{"a", "missing", "Give a."}, {"b", "too_long", "Shorten b."}}));
  const auto bad = Find<google::rpc::BadRequest>(status);
  ASSERT_TRUE(bad.has_value());
  ASSERT_EQ(bad->field_violations_size(), 2);
  EXPECT_EQ(bad->field_violations(1).field(), "b");
  EXPECT_EQ(bad->field_violations(1).reason(), "too_long");
  EXPECT_EQ(bad->field_violations(1).description(), "Shorten b.");
}

TEST(ToGrpcStatus, SaysWhenToTryAgainToTheNanosecond) {
  const grpc::Status status = ToGrpcStatus(WithRetryAfter(
      ReasonedError(absl::StatusCode::kResourceExhausted, "intake_queue_full", "full"),
      absl::Milliseconds(1250)));
  const auto retry = Find<google::rpc::RetryInfo>(status);
  ASSERT_TRUE(retry.has_value());
  EXPECT_EQ(retry->retry_delay().seconds(), 1);
  EXPECT_EQ(retry->retry_delay().nanos(), 250'000'000);
}

TEST(ToGrpcStatus, FitsIntoTheMetadataThatClientsAcceptAndTellsHowManyThereWere) {
  std::vector<FieldViolation> many;
  for (int i = 0; i < 500; ++i) many.push_back({"field", "reason", std::string(100, 'x')});
  const grpc::Status status = ToGrpcStatus(
      ReasonedError(absl::StatusCode::kInvalidArgument, "protocol_has_problems", "many", many));
  EXPECT_LT(status.error_details().size() * 4 / 3, 8192u - 1024u);
  EXPECT_GT(Find<google::rpc::BadRequest>(status)->field_violations_size(), 10);
  EXPECT_EQ(Find<google::rpc::ErrorInfo>(status)->metadata().at("field_violations"), "500");
}

TEST(ToGrpcStatus, HidesTheWordsOfErrorsWithoutAReason) {
  const grpc::Status status = ToGrpcStatus(absl::DataLossError("/var/lib/secret/000012.sst"));
  EXPECT_EQ(status.error_code(), grpc::StatusCode::DATA_LOSS);
  EXPECT_EQ(status.error_message().find("secret"), std::string::npos);
  EXPECT_EQ(status.error_details().find("secret"), std::string::npos);
  EXPECT_EQ(Find<google::rpc::ErrorInfo>(status)->reason(), "internal");
}

TEST(ToGrpcStatus, LeavesSuccessAlone) { EXPECT_TRUE(ToGrpcStatus(absl::OkStatus()).ok()); }

}  // namespace
}  // namespace plumule::rpc
