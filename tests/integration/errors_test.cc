// What stands in the details of an error that the real server answers with.

#include <gmock/gmock.h>
#include <google/protobuf/any.pb.h>
#include <gtest/gtest.h>

#include <optional>
#include <string>

#include "clients/cpp/uuid.h"
#include "google/rpc/status.pb.h"
#include "tests/integration/generic_call.h"
#include "tests/integration/running_server.h"
#include "tests/integration/sample_study.h"

namespace plumule::integration {
namespace {

class ErrorsIntegrationTest : public testing::Test {
 protected:
  template <class Request>
  grpc::Status Ask(const std::string& method, const Request& request) {
    const grpc::Status status =
        CallByName(server_.address(), method, "Bearer " + community_.organizer_key,
                   request.SerializeAsString())
            .status;
    EXPECT_FALSE(status.ok());
    return status;
  }

  template <class Detail>
  static std::optional<Detail> Find(const grpc::Status& status) {
    google::rpc::Status rich;
    EXPECT_TRUE(rich.ParseFromString(status.error_details()));
    EXPECT_EQ(rich.code(), status.error_code());
    EXPECT_EQ(rich.message(), status.error_message());
    for (const google::protobuf::Any& any : rich.details()) {
      Detail detail;
      if (any.UnpackTo(&detail)) return detail;
    }
    return std::nullopt;
  }

  TemporaryDirectory directory_;
  RunningServer server_{directory_.path()};
  SampleCommunity community_ = MakeCommunity(*server_.Connect(server_.operator_key()), "balcony");
};

TEST_F(ErrorsIntegrationTest, CarryAReasonTheDomainAndWhatIsConcerned) {
  study::v1::GetStudyRequest get;
  get.set_name("communities/balcony/studies/none");
  const grpc::Status status = Ask("plumule.study.v1.StudyService/GetStudy", get);
  EXPECT_EQ(status.error_code(), grpc::StatusCode::NOT_FOUND);
  const auto info = Find<google::rpc::ErrorInfo>(status);
  ASSERT_TRUE(info.has_value());
  EXPECT_EQ(info->reason(), "study_not_found");
  EXPECT_EQ(info->domain(), "plumule");
  EXPECT_FALSE(Find<google::rpc::BadRequest>(status).has_value());
}

TEST_F(ErrorsIntegrationTest, NameTheFieldThatIsWrongAndWhatToGive) {
  study::v1::GetStudyRequest get;
  get.set_name("balcony/basil");
  const grpc::Status status = Ask("plumule.study.v1.StudyService/GetStudy", get);
  EXPECT_EQ(status.error_code(), grpc::StatusCode::INVALID_ARGUMENT);
  const auto bad = Find<google::rpc::BadRequest>(status);
  ASSERT_TRUE(bad.has_value());
  ASSERT_EQ(bad->field_violations_size(), 1);
  EXPECT_EQ(bad->field_violations(0).field(), "name");
  EXPECT_EQ(bad->field_violations(0).reason(), "name_not_valid");
  EXPECT_THAT(bad->field_violations(0).description(),
              testing::HasSubstr("communities/{community}/studies/{study}"));
}

TEST_F(ErrorsIntegrationTest, NameEveryProblemOfADefinitionByItsPath) {
  study::v1::PublishProtocolRequest publish;
  publish.set_name(community_.study);
  publish.set_request_id(client::NewUuid());
  publish.set_reason("a worse one");
  *publish.mutable_protocol() = SampleProtocol();
  publish.mutable_protocol()->mutable_thresholds(0)->set_variable("shot_length");
  publish.mutable_protocol()->mutable_words()->clear_question();
  const grpc::Status status = Ask("plumule.study.v1.StudyService/PublishProtocol", publish);
  const auto bad = Find<google::rpc::BadRequest>(status);
  ASSERT_TRUE(bad.has_value());
  std::vector<std::string> fields;
  for (const auto& violation : bad->field_violations()) {
    fields.push_back(violation.field());
    EXPECT_FALSE(violation.description().empty());
  }
  EXPECT_THAT(fields, testing::Contains("protocol.thresholds[long_enough].variable"));
  EXPECT_THAT(fields, testing::Contains(testing::HasSubstr("protocol.words.question")));
}

}  // namespace
}  // namespace plumule::integration
