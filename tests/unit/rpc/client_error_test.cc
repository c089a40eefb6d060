#include <gtest/gtest.h>

#include "clients/cpp/error.h"

namespace plumule::client {
namespace {

grpc::Status Refusal() {
  google::rpc::Status rich;
  google::rpc::ErrorInfo info;
  info.set_reason("protocol_has_problems");
  rich.add_details()->PackFrom(info);
  google::rpc::BadRequest bad;
  auto* violation = bad.add_field_violations();
  violation->set_field("protocol.arms");
  violation->set_reason("too_few_arms");
  violation->set_description("There is one arm. Add another.");
  rich.add_details()->PackFrom(bad);
  return grpc::Status(grpc::StatusCode::INVALID_ARGUMENT, "the definition has 1 problem",
                      rich.SerializeAsString());
}

TEST(FromGrpc, KeepsWhatTheServerSaid) {
  const absl::Status status = FromGrpc(Refusal());
  EXPECT_TRUE(absl::IsInvalidArgument(status));
  EXPECT_EQ(Reason(status), "protocol_has_problems");
  EXPECT_EQ(FieldViolations(status).at(0).field(), "protocol.arms");
  EXPECT_FALSE(RetryDelay(status).has_value());
  EXPECT_TRUE(FromGrpc(grpc::Status::OK).ok());
}

TEST(Explain, NamesEachFieldWithWhatToDo) {
  EXPECT_EQ(Explain(FromGrpc(Refusal())),
            "the definition has 1 problem\n"
            "  protocol.arms: There is one arm. Add another. (too_few_arms)");
}

TEST(Explain, HasWordsForAnErrorWithoutAny) {
  EXPECT_EQ(Explain(absl::UnknownError("")), "UNKNOWN");
}

}  // namespace
}  // namespace plumule::client
