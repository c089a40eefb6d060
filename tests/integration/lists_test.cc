// Every list comes in pages, without gaps or repeats, and takes only its own tokens.

#include <gtest/gtest.h>

#include <algorithm>
#include <set>
#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "clients/cpp/error.h"
#include "clients/cpp/uuid.h"
#include "tests/integration/running_server.h"
#include "tests/integration/sample_study.h"

namespace plumule::integration {
namespace {

using access::v1::AccessService;
using study::v1::StudyService;

class ListsIntegrationTest : public testing::Test {
 protected:
  // Names of all pages of `size`, one after the other.
  template <class Method, class Request, class Items>
  static std::vector<std::string> Walk(client::Connection& server, Method method, Request request,
                                       int size, Items items) {
    std::vector<std::string> names;
    request.set_page_size(size);
    for (int page = 0; page < 100; ++page) {
      const auto answer = server.Call(method, request);
      EXPECT_TRUE(answer.ok()) << client::Explain(answer.status());
      if (!answer.ok()) break;
      const auto& found = items(*answer);
      EXPECT_LE(found.size(), size);
      for (const auto& item : found) names.push_back(item.name());
      request.set_page_token(answer->next_page_token());
      if (request.page_token().empty()) return names;
    }
    ADD_FAILURE() << "the list does not end";
    return names;
  }

  static void ExpectInOrderOnce(const std::vector<std::string>& names, std::size_t count) {
    EXPECT_EQ(names.size(), count);
    EXPECT_TRUE(std::is_sorted(names.begin(), names.end()));
    EXPECT_EQ(std::set<std::string>(names.begin(), names.end()).size(), names.size());
  }

  TemporaryDirectory directory_;
  RunningServer server_{directory_.path()};
  std::unique_ptr<client::Connection> operator_ = server_.Connect(server_.operator_key());
  SampleCommunity balcony_ = MakeCommunity(*operator_, "balcony", /*open=*/false);
  std::unique_ptr<client::Connection> organizer_ = server_.Connect(balcony_.organizer_key);
};

TEST_F(ListsIntegrationTest, StudiesCommunitiesAndKeysComeById) {
  for (int i = 0; i < 6; ++i) {
    study::v1::CreateStudyRequest create;
    create.set_parent(balcony_.name);
    create.set_study_id(absl::StrCat("extra-", i));
    ASSERT_TRUE(organizer_->CallOnce(&StudyService::Stub::CreateStudy, create).ok());
    MakeCommunity(*operator_, absl::StrCat("club-", i), /*open=*/false);
  }
  study::v1::ListStudiesRequest studies;
  studies.set_parent(balcony_.name);
  access::v1::ListKeysRequest keys;
  keys.set_parent(balcony_.name);
  for (const int size : {1, 2, 3, 7, 1000}) {
    ExpectInOrderOnce(Walk(*organizer_, &StudyService::Stub::ListStudies, studies, size,
                           [](const auto& answer) { return answer.studies(); }),
                      7);
    ExpectInOrderOnce(Walk(*operator_, &AccessService::Stub::ListCommunities,
                           access::v1::ListCommunitiesRequest(), size,
                           [](const auto& answer) { return answer.communities(); }),
                      7);
    ExpectInOrderOnce(Walk(*organizer_, &AccessService::Stub::ListKeys, keys, size,
                           [](const auto& answer) { return answer.keys(); }),
                      3);
  }
}

TEST_F(ListsIntegrationTest, ATokenOpensOnlyTheListThatGaveIt) {
  MakeCommunity(*operator_, "rooftop", /*open=*/false);
  access::v1::ListKeysRequest keys;
  keys.set_parent(balcony_.name);
  keys.set_page_size(1);
  const auto page = operator_->Call(&AccessService::Stub::ListKeys, keys);
  ASSERT_TRUE(page.ok()) << client::Explain(page.status());
  ASSERT_FALSE(page->next_page_token().empty());
  keys.set_page_token(page->next_page_token());
  EXPECT_TRUE(operator_->Call(&AccessService::Stub::ListKeys, keys).ok());

  keys.set_parent("communities/rooftop");
  EXPECT_EQ(client::Reason(operator_->Call(&AccessService::Stub::ListKeys, keys).status()),
            "page_token_not_valid");
  study::v1::ListStudiesRequest studies;
  studies.set_parent(balcony_.name);
  studies.set_page_token(page->next_page_token());
  EXPECT_EQ(client::Reason(organizer_->Call(&StudyService::Stub::ListStudies, studies).status()),
            "page_token_not_valid");
}

TEST_F(ListsIntegrationTest, ANegativePageSizeIsNotTaken) {
  study::v1::ListStudiesRequest studies;
  studies.set_parent(balcony_.name);
  studies.set_page_size(-1);
  const absl::Status status = organizer_->Call(&StudyService::Stub::ListStudies, studies).status();
  EXPECT_TRUE(absl::IsInvalidArgument(status));
  ASSERT_EQ(client::FieldViolations(status).size(), 1u);
  EXPECT_EQ(client::FieldViolations(status)[0].field(), "page_size");
}

}  // namespace
}  // namespace plumule::integration
