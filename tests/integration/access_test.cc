// Every method under every key: what the table denies is denied by the real server.

#include <google/protobuf/descriptor.h>
#include <google/protobuf/message.h>
#include <gtest/gtest.h>

#include <chrono>
#include <set>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"
#include "clients/cpp/error.h"
#include "server/access/method_table.h"
#include "tests/integration/generic_call.h"
#include "tests/integration/running_server.h"
#include "tests/integration/sample_study.h"

namespace plumule::integration {
namespace {

using access::MethodRule;

// The field of a method's request that names its resource, and such a name within a study.
struct NamedField {
  std::string field;
  std::string name;
};

NamedField FieldOf(const std::string& method, const std::string& community,
                   const std::string& study) {
  const std::string verb = method.substr(method.find('/') + 1);
  if (absl::StrContains(method, "AccessService")) {
    return verb == "RevokeKey" ? NamedField{"name", community + "/keys/aaaaaaaa"}
                               : NamedField{"parent", community};
  }
  if (absl::StrContains(method, "IntakeService") || absl::StrContains(method, "LogService")) {
    return {"study", study};
  }
  if (verb == "CreateStudy" || verb == "ListStudies" || verb == "CheckProtocol") {
    return {"parent", community};
  }
  if (verb == "ListFreezes" || verb == "ListRuns" || verb == "ListResults") {
    return {"parent", study};
  }
  if (verb == "ReadDataset" || verb == "CreateRun") return {"freeze", study + "/freezes/1"};
  if (verb == "GetRun" || verb == "CancelRun") return {"name", study + "/runs/1"};
  if (verb == "GetResult") return {"name", study + "/results/1"};
  return {"name", study};
}

// A request of a method that names its resource and says nothing else.
std::string RequestOf(const MethodRule& rule, const std::string& community,
                      const std::string& study) {
  const std::string method(rule.method);
  const auto* descriptor = google::protobuf::DescriptorPool::generated_pool()->FindMethodByName(
      absl::StrCat(method.substr(0, method.find('/')), ".", method.substr(method.find('/') + 1)));
  std::unique_ptr<google::protobuf::Message> request(
      google::protobuf::MessageFactory::generated_factory()
          ->GetPrototype(descriptor->input_type())
          ->New());
  if (rule.reach == access::Reach::kCommunity) {
    const NamedField named = FieldOf(method, community, study);
    const auto* field = request->GetDescriptor()->FindFieldByName(named.field);
    request->GetReflection()->SetString(request.get(), field, named.name);
  }
  return request->SerializeAsString();
}

class AccessIntegrationTest : public testing::Test {
 protected:
  GenericAnswer Answer(const MethodRule& rule, const std::optional<std::string>& key,
                       const SampleCommunity& community) {
    return CallByName(server_.address(), std::string(rule.method),
                      key.has_value() ? std::optional("Bearer " + *key) : std::nullopt,
                      RequestOf(rule, community.name, community.study));
  }

  std::string Reason(const MethodRule& rule, const std::optional<std::string>& key,
                     const SampleCommunity& community) {
    const GenericAnswer answer = Answer(rule, key, community);
    return answer.status.ok() ? "ok" : client::Reason(client::FromGrpc(answer.status));
  }

  TemporaryDirectory directory_;
  RunningServer server_{directory_.path()};
  std::unique_ptr<client::Connection> operator_ = server_.Connect(server_.operator_key());
  SampleCommunity balcony_ = MakeCommunity(*operator_, "balcony", /*open=*/false);
  SampleCommunity rooftop_ = MakeCommunity(*operator_, "rooftop", /*open=*/false);
};

TEST_F(AccessIntegrationTest, EveryMethodAllowsTheRolesOfItsRowAndDeniesAllOthers) {
  const struct {
    access::v1::Role role;
    std::string key;
  } keys[] = {{access::v1::ROLE_OPERATOR, server_.operator_key()},
              {access::v1::ROLE_ORGANIZER, balcony_.organizer_key},
              {access::v1::ROLE_INTAKE, balcony_.intake_key},
              {access::v1::ROLE_RESEARCHER, balcony_.researcher_key}};
  int denied = 0;
  for (const MethodRule& rule : access::MethodTable()) {
    for (const auto& [role, key] : keys) {
      const std::string reason = Reason(rule, key, balcony_);
      const std::set<std::string> refusals{"not_allowed", "key_missing", "key_not_valid", ""};
      if (rule.roles.Holds(role)) {
        EXPECT_FALSE(refusals.contains(reason))
            << rule.method << " as " << access::v1::Role_Name(role) << ": " << reason;
      } else {
        ++denied;
        EXPECT_EQ(reason, "not_allowed") << rule.method << " as " << access::v1::Role_Name(role);
      }
    }
  }
  EXPECT_GT(denied, 40);
}

TEST_F(AccessIntegrationTest, NoMethodAnswersWithoutAKeyThatIsValid) {
  std::string revoked = balcony_.intake_key;
  revoked.back() = revoked.back() == 'A' ? 'E' : 'A';
  for (const MethodRule& rule : access::MethodTable()) {
    EXPECT_EQ(Reason(rule, std::nullopt, balcony_), "key_missing") << rule.method;
    EXPECT_EQ(Reason(rule, revoked, balcony_), "key_not_valid") << rule.method;
    EXPECT_EQ(Reason(rule, "", balcony_), "key_not_valid") << rule.method;
  }
}

TEST_F(AccessIntegrationTest, AnotherCommunitySeesNothingWhetherItIsThereOrNot) {
  SampleCommunity nowhere = rooftop_;
  nowhere.name = "communities/nowhere";
  nowhere.study = "communities/nowhere/studies/basil";
  for (const MethodRule& rule : access::MethodTable()) {
    if (rule.reach != access::Reach::kCommunity) continue;
    for (const std::string& key :
         {balcony_.organizer_key, balcony_.intake_key, balcony_.researcher_key}) {
      EXPECT_EQ(Reason(rule, key, rooftop_), "not_allowed") << rule.method;
      // Not one byte of the answer differs.
      const grpc::Status there = Answer(rule, key, rooftop_).status;
      const grpc::Status missing = Answer(rule, key, nowhere).status;
      EXPECT_EQ(missing.error_code(), there.error_code()) << rule.method;
      EXPECT_EQ(missing.error_message(), there.error_message()) << rule.method;
      EXPECT_EQ(missing.error_details(), there.error_details()) << rule.method;
    }
  }
}

TEST_F(AccessIntegrationTest, ListsHoldTheOwnCommunityOnly) {
  study::v1::ListStudiesRequest request;
  request.set_parent(balcony_.name);
  const auto listed = server_.Connect(balcony_.researcher_key)
                          ->Call(&study::v1::StudyService::Stub::ListStudies, request);
  ASSERT_TRUE(listed.ok()) << listed.status();
  ASSERT_EQ(listed->studies_size(), 1);
  EXPECT_EQ(listed->studies(0).name(), balcony_.study);
}

TEST_F(AccessIntegrationTest, ARevokedKeyOpensNothingFromThenOn) {
  access::v1::ListKeysRequest list;
  list.set_parent(balcony_.name);
  const auto keys = operator_->Call(&access::v1::AccessService::Stub::ListKeys, list);
  ASSERT_TRUE(keys.ok());
  access::v1::RevokeKeyRequest revoke;
  for (const auto& key : keys->keys()) {
    if (key.role() == access::v1::ROLE_INTAKE) revoke.set_name(key.name());
  }
  study::v1::GetStudyRequest get;
  get.set_name(balcony_.study);
  const auto intake = server_.Connect(balcony_.intake_key);
  EXPECT_TRUE(intake->Call(&study::v1::StudyService::Stub::GetStudy, get).ok());
  ASSERT_TRUE(server_.Connect(balcony_.organizer_key)
                  ->Call(&access::v1::AccessService::Stub::RevokeKey, revoke)
                  .ok());
  EXPECT_EQ(client::Reason(intake->Call(&study::v1::StudyService::Stub::GetStudy, get).status()),
            "key_not_valid");
}

TEST_F(AccessIntegrationTest, ARevokedKeyEndsTheStreamsThatAreOpenUnderIt) {
  const SampleCommunity garden = MakeCommunity(*operator_, "garden");
  const auto intake = server_.Connect(garden.intake_key);
  grpc::ClientContext sending;
  intake->Authorize(&sending);
  sending.set_deadline(std::chrono::system_clock::now() + std::chrono::seconds(20));
  const auto sender = intake->Of<intake::v1::IntakeService::Stub>().RecordStream(&sending);
  intake::v1::RecordStreamRequest message;
  intake::v1::RecordStreamResponse receipts;
  message.set_study(garden.study);
  ASSERT_TRUE(sender->Write(message));
  *message.mutable_record() = Joined("before");
  ASSERT_TRUE(sender->Write(message));
  ASSERT_TRUE(sender->Read(&receipts));

  const auto researcher = server_.Connect(garden.researcher_key);
  grpc::ClientContext following;
  researcher->Authorize(&following);
  following.set_deadline(std::chrono::system_clock::now() + std::chrono::seconds(20));
  intake::v1::ReadLogRequest follow;
  follow.set_study(garden.study);
  follow.set_follow(true);
  const auto follower = researcher->Of<intake::v1::LogService::Stub>().ReadLog(&following, follow);
  intake::v1::ReadLogResponse entry;
  // The protocol and the grower from before.
  ASSERT_TRUE(follower->Read(&entry));
  ASSERT_TRUE(follower->Read(&entry));

  access::v1::ListKeysRequest list;
  list.set_parent(garden.name);
  const auto keys = operator_->Call(&access::v1::AccessService::Stub::ListKeys, list);
  ASSERT_TRUE(keys.ok());
  for (const auto& key : keys->keys()) {
    if (key.role() == access::v1::ROLE_ORGANIZER) continue;
    access::v1::RevokeKeyRequest revoke;
    revoke.set_name(key.name());
    ASSERT_TRUE(operator_->Call(&access::v1::AccessService::Stub::RevokeKey, revoke).ok());
  }
  *message.mutable_record() = Joined("after");
  sender->Write(message);
  EXPECT_FALSE(sender->Read(&receipts));
  EXPECT_EQ(client::Reason(client::FromGrpc(sender->Finish())), "key_not_valid");

  intake::v1::RecordRequest by_organizer;
  by_organizer.set_study(garden.study);
  *by_organizer.mutable_record() = Joined("unseen");
  ASSERT_TRUE(server_.Connect(garden.organizer_key)
                  ->Call(&intake::v1::IntakeService::Stub::Record, by_organizer)
                  .ok());
  EXPECT_FALSE(follower->Read(&entry));
  EXPECT_EQ(client::Reason(client::FromGrpc(follower->Finish())), "key_not_valid");
}

TEST_F(AccessIntegrationTest, AnUnknownMethodIsNotThere) {
  const GenericAnswer answer =
      CallByName(server_.address(), "plumule.study.v1.StudyService/DeleteEverything",
                 "Bearer " + balcony_.organizer_key, "");
  EXPECT_EQ(answer.status.error_code(), grpc::StatusCode::UNIMPLEMENTED);
}

TEST_F(AccessIntegrationTest, ReflectionNamesTheServicesOfTheTableAndNoOther) {
  // ServerReflectionRequest{list_services: ""}, field 7.
  const GenericAnswer answer =
      CallByName(server_.address(), "grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo",
                 std::nullopt, std::string("\x3a\x00", 2));
  ASSERT_EQ(answer.messages.size(), 1u);
  std::set<std::string> services;
  for (const MethodRule& rule : access::MethodTable()) {
    services.insert(std::string(rule.method).substr(0, rule.method.find('/')));
  }
  for (const std::string& service : services) {
    EXPECT_TRUE(absl::StrContains(answer.messages[0], service)) << service;
  }
  const std::vector<std::string> named = absl::StrSplit(answer.messages[0], "plumule.");
  EXPECT_EQ(named.size() - 1, services.size());
}

}  // namespace
}  // namespace plumule::integration
