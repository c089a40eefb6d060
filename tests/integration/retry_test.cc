// A request that is sent again under its id is answered with the first answer, also by a server
// that was restarted in between.

#include <gtest/gtest.h>

#include <memory>
#include <string>

#include "clients/cpp/error.h"
#include "clients/cpp/uuid.h"
#include "tests/integration/running_server.h"
#include "tests/integration/sample_study.h"

namespace plumule::integration {
namespace {

using intake::v1::LogService;
using study::v1::StudyService;

class RetryIntegrationTest : public testing::Test {
 protected:
  RetryIntegrationTest()
      : server_(std::make_unique<RunningServer>(directory_.path())),
        community_(
            MakeCommunity(*server_->Connect(server_->operator_key()), "balcony", /*open=*/false)),
        organizer_(server_->Connect(community_.organizer_key)) {}

  void Restart() {
    EXPECT_EQ(server_->Terminate(), 0);
    server_ = std::make_unique<RunningServer>(directory_.path());
    organizer_ = server_->Connect(community_.organizer_key);
  }

  // Calls three times, with a restart before the last; every answer must be that of the first, and
  // the log must have grown by `entries`.
  template <class Method, class Request>
  void ExpectOneEffect(Method method, const Request& request, std::int64_t entries) {
    const std::int64_t before = LogHead();
    const auto first = organizer_->Call(method, request);
    ASSERT_TRUE(first.ok()) << client::Explain(first.status());
    const auto second = organizer_->Call(method, request);
    ASSERT_TRUE(second.ok()) << client::Explain(second.status());
    Restart();
    const auto third = organizer_->Call(method, request);
    ASSERT_TRUE(third.ok()) << client::Explain(third.status());
    EXPECT_EQ(second->DebugString(), third->DebugString());
    EXPECT_EQ(LogHead(), before + entries);
  }

  std::int64_t LogHead() {
    study::v1::GetStudyRequest get;
    get.set_name(community_.study);
    const auto study = organizer_->Call(&StudyService::Stub::GetStudy, get);
    EXPECT_TRUE(study.ok()) << client::Explain(study.status());
    return study.ok() ? study->study().log_head() : -1;
  }

  // A request that names the study and carries a new id.
  template <class Request>
  Request Named() {
    Request request;
    request.set_name(community_.study);
    request.set_request_id(client::NewUuid());
    return request;
  }

  TemporaryDirectory directory_;
  std::unique_ptr<RunningServer> server_;
  SampleCommunity community_;
  std::unique_ptr<client::Connection> organizer_;
};

TEST_F(RetryIntegrationTest, PublishingClosingFreezingAndWithdrawingHappenOnce) {
  auto publish = Named<study::v1::PublishProtocolRequest>();
  *publish.mutable_protocol() = SampleProtocol();
  ExpectOneEffect(&StudyService::Stub::PublishProtocol, publish, 1);

  auto close = Named<study::v1::CloseStudyRequest>();
  close.set_reason("all are done");
  ExpectOneEffect(&StudyService::Stub::CloseStudy, close, 1);

  ExpectOneEffect(&StudyService::Stub::FreezeStudy, Named<study::v1::FreezeStudyRequest>(), 1);
}

TEST_F(RetryIntegrationTest, TheSameIdWithAnotherRequestIsRefused) {
  auto publish = Named<study::v1::PublishProtocolRequest>();
  *publish.mutable_protocol() = SampleProtocol();
  ASSERT_TRUE(organizer_->Call(&StudyService::Stub::PublishProtocol, publish).ok());
  publish.mutable_protocol()->mutable_words()->set_contact("the other table");
  publish.set_reason("another contact");
  const absl::Status status =
      organizer_->Call(&StudyService::Stub::PublishProtocol, publish).status();
  EXPECT_FALSE(status.ok());
  EXPECT_FALSE(client::Reason(status).empty()) << status;
  EXPECT_EQ(LogHead(), 1);
}

}  // namespace
}  // namespace plumule::integration
