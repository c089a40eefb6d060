#include "server/access/guard.h"

#include <gtest/gtest.h>

#include "server/protocol/reason.h"
#include "server/store/memory_store.h"

namespace plumule::access {
namespace {

constexpr MethodRule kGetStudy = RuleOf("plumule.study.v1.StudyService/GetStudy");
constexpr MethodRule kCreateStudy = RuleOf("plumule.study.v1.StudyService/CreateStudy");
constexpr MethodRule kCreateKey = RuleOf("plumule.access.v1.AccessService/CreateKey");
constexpr MethodRule kListPlugins = RuleOf("plumule.analysis.v1.AnalysisService/ListPlugins");

class GuardTest : public testing::Test {
 protected:
  GuardTest() {
    v1::CreateCommunityRequest request;
    request.set_community_id("balcony");
    organizer_ = "Bearer " + directory_.CreateCommunity(request, absl::Now())->secret();
    intake_ = "Bearer " + directory_.CreateKey("balcony", v1::ROLE_INTAKE, "", absl::Now())->secret;
    directory_
        .EnsureOperatorKey(absl::Now(),
                           [&](absl::string_view key) {
                             operator_ = "Bearer " + std::string(key);
                             return absl::OkStatus();
                           })
        .value();
  }

  std::string Reason(const MethodRule* rule, std::optional<absl::string_view> authorization,
                     const std::optional<RequestedResource>& resource) {
    return ReasonOf(guard_.Admit(rule, authorization, resource).status());
  }

  static RequestedResource Study(absl::string_view name) {
    return {ResourceKind::kStudy, "name", name};
  }

  store::MemoryStore store_;
  SystemRandomness randomness_;
  Directory directory_{store_, randomness_};
  Guard guard_{directory_};
  std::string organizer_, intake_, operator_;
};

TEST_F(GuardTest, AdmitsAMemberToItsOwnCommunity) {
  const auto admission =
      guard_.Admit(&kGetStudy, intake_, Study("communities/balcony/studies/basil"));
  ASSERT_TRUE(admission.ok());
  EXPECT_EQ(admission->caller.role, v1::ROLE_INTAKE);
  EXPECT_EQ(admission->resource.study, "basil");
}

TEST_F(GuardTest, AsksForAKeyBeforeAnythingElse) {
  EXPECT_EQ(Reason(nullptr, std::nullopt, std::nullopt), "key_missing");
  EXPECT_EQ(Reason(&kGetStudy, "", Study("x")), "key_missing");
  EXPECT_EQ(Reason(&kGetStudy, "Basic abc", Study("x")), "key_missing");
  EXPECT_EQ(Reason(&kGetStudy, "Bearer plu_x", Study("x")), "key_not_valid");
}

TEST_F(GuardTest, DeniesAMethodThatIsNotInTheTable) {
  EXPECT_EQ(Reason(nullptr, organizer_, std::nullopt), "not_allowed");
  EXPECT_EQ(Reason(nullptr, operator_, std::nullopt), "not_allowed");
}

TEST_F(GuardTest, DeniesByRoleBeforeItReadsTheName) {
  EXPECT_EQ(Reason(&kCreateStudy, intake_, Study("nonsense")), "not_allowed");
  EXPECT_EQ(Reason(&kGetStudy, operator_, Study("communities/balcony/studies/basil")),
            "not_allowed");
}

TEST_F(GuardTest, DeniesAnotherCommunityWhetherItExistsOrNot) {
  EXPECT_EQ(Reason(&kGetStudy, organizer_, Study("communities/rooftop/studies/basil")),
            "not_allowed");
}

TEST_F(GuardTest, LetsTheOperatorKeepTheKeysOfAnyCommunity) {
  EXPECT_TRUE(
      guard_
          .Admit(&kCreateKey, operator_,
                 RequestedResource{ResourceKind::kCommunity, "parent", "communities/balcony"})
          .ok());
  EXPECT_EQ(Reason(&kCreateKey, organizer_,
                   RequestedResource{ResourceKind::kCommunity, "parent", "communities/rooftop"}),
            "not_allowed");
}

TEST_F(GuardTest, SaysWhichNameIsMalformedOnlyToThoseWhoMayCall) {
  EXPECT_EQ(Reason(&kGetStudy, organizer_, Study("nonsense")), "name_not_valid");
}

TEST_F(GuardTest, DeniesARuleThatReachesACommunityWithoutAResource) {
  EXPECT_EQ(Reason(&kGetStudy, organizer_, std::nullopt), "not_allowed");
  EXPECT_TRUE(guard_.Admit(&kListPlugins, organizer_, std::nullopt).ok());
}

}  // namespace
}  // namespace plumule::access
