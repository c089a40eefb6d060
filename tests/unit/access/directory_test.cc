#include "server/access/directory.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <set>

#include "server/protocol/reason.h"
#include "server/store/memory_store.h"

namespace plumule::access {
namespace {

const absl::Time kNow = absl::FromUnixSeconds(1'800'000'000);

class DirectoryTest : public testing::Test {
 protected:
  v1::CreateCommunityResponse MakeCommunity(const std::string& id) {
    v1::CreateCommunityRequest request;
    request.set_community_id(id);
    request.set_title("The " + id);
    return directory_.CreateCommunity(request, kNow).value();
  }

  store::MemoryStore store_;
  SystemRandomness randomness_;
  Directory directory_{store_, randomness_};
};

TEST_F(DirectoryTest, MakesTheOperatorsKeyOnceAndShowsItOnce) {
  std::string shown;
  const auto show = [&](absl::string_view secret) {
    shown = std::string(secret);
    return absl::OkStatus();
  };
  EXPECT_TRUE(directory_.EnsureOperatorKey(kNow, show).value());
  EXPECT_EQ(directory_.Prove(shown)->role, v1::ROLE_OPERATOR);
  EXPECT_EQ(directory_.Prove(shown)->community, "");
  const std::string first = shown;
  EXPECT_FALSE(directory_.EnsureOperatorKey(kNow, show).value());
  EXPECT_EQ(shown, first);
}

TEST_F(DirectoryTest, MakesNoOperatorsKeyThatCouldNotBeShown) {
  const auto fail = [](absl::string_view) { return absl::UnavailableError("no paper"); };
  EXPECT_FALSE(directory_.EnsureOperatorKey(kNow, fail).ok());
  EXPECT_TRUE(directory_.EnsureOperatorKey(kNow, [](absl::string_view) { return absl::OkStatus(); })
                  .value());
}

TEST_F(DirectoryTest, GivesEachCommunityItsOwnOrganizer) {
  const auto made = MakeCommunity("balcony");
  EXPECT_EQ(made.community().name(), "communities/balcony");
  EXPECT_EQ(made.community().create_time().seconds(), absl::ToUnixSeconds(kNow));
  const Caller organizer = directory_.Prove(made.secret()).value();
  EXPECT_EQ(organizer.role, v1::ROLE_ORGANIZER);
  EXPECT_EQ(organizer.community, "balcony");
  EXPECT_EQ(made.key().name(), "communities/balcony/keys/" + organizer.key_id);
}

TEST_F(DirectoryTest, RefusesASecondCommunityOfTheSameId) {
  MakeCommunity("balcony");
  v1::CreateCommunityRequest request;
  request.set_community_id("balcony");
  const auto again = directory_.CreateCommunity(request, kNow);
  EXPECT_TRUE(absl::IsAlreadyExists(again.status()));
  EXPECT_EQ(ReasonOf(again.status()), "community_exists");
}

TEST_F(DirectoryTest, KnowsItsKeysAfterARestart) {
  const auto made = MakeCommunity("balcony");
  const NewKey intake =
      directory_.CreateKey("balcony", v1::ROLE_INTAKE, "spring import", kNow).value();
  directory_.RevokeKey("balcony", directory_.Prove(intake.secret)->key_id).value();

  Directory restarted(store_, randomness_);
  ASSERT_TRUE(restarted.Load().ok());
  EXPECT_EQ(restarted.Prove(made.secret())->role, v1::ROLE_ORGANIZER);
  EXPECT_EQ(ReasonOf(restarted.Prove(intake.secret).status()), "key_not_valid");
}

TEST_F(DirectoryTest, EndsARevokedKeyAtOnceAndShowsItAsEnded) {
  MakeCommunity("balcony");
  const NewKey key = directory_.CreateKey("balcony", v1::ROLE_INTAKE, "", kNow).value();
  const std::string id = directory_.Prove(key.secret)->key_id;
  EXPECT_TRUE(directory_.RevokeKey("balcony", id)->revoked());
  EXPECT_TRUE(absl::IsUnauthenticated(directory_.Prove(key.secret).status()));
  EXPECT_TRUE(directory_.RevokeKey("balcony", id)->revoked());
  int revoked = 0;
  const std::vector<v1::Key> keys = directory_.ListKeys("balcony", "", 10).value();
  for (const v1::Key& listed : keys) {
    revoked += listed.revoked() ? 1 : 0;
  }
  EXPECT_EQ(revoked, 1);
}

TEST_F(DirectoryTest, TellsUnknownRevokedAndMalformedKeysApartForNobody) {
  const auto made = MakeCommunity("balcony");
  std::string wrong_secret = made.secret();
  wrong_secret[20] = wrong_secret[20] == 'A' ? 'B' : 'A';
  std::string unknown_id = made.secret();
  unknown_id[5] = unknown_id[5] == 'a' ? 'b' : 'a';
  const std::string malformed = "plu_nonsense";
  std::string words;
  for (const std::string& bad : {wrong_secret, unknown_id, malformed}) {
    const absl::Status status = directory_.Prove(bad).status();
    EXPECT_EQ(ReasonOf(status), "key_not_valid");
    if (words.empty()) words = std::string(status.message());
    EXPECT_EQ(status.message(), words);
  }
}

TEST_F(DirectoryTest, StoresNoSecret) {
  const auto made = MakeCommunity("balcony");
  const KeyToken token = ParseKeyToken(made.secret()).value();
  const std::string as_text = made.secret().substr(13);
  const std::string as_bytes(token.secret.begin(), token.secret.end());
  const absl::Status scanned = store_.Scan({}, [&](absl::string_view, absl::string_view value) {
    EXPECT_EQ(std::string(value).find(as_text), std::string::npos);
    EXPECT_EQ(std::string(value).find(as_bytes), std::string::npos);
    return true;
  });
  EXPECT_TRUE(scanned.ok());
}

TEST_F(DirectoryTest, ReachesNoKeyThroughAnotherCommunity) {
  const auto balcony = MakeCommunity("balcony");
  MakeCommunity("rooftop");
  const std::string id = directory_.Prove(balcony.secret())->key_id;
  EXPECT_EQ(ReasonOf(directory_.RevokeKey("rooftop", id).status()), "key_not_found");
  EXPECT_TRUE(directory_.Prove(balcony.secret()).ok());
}

TEST_F(DirectoryTest, ListsInPagesByIdWithoutGapsOrRepeats) {
  MakeCommunity("balcony");
  MakeCommunity("balcony-two");
  for (int i = 0; i < 24; ++i) {
    directory_.CreateKey("balcony", v1::ROLE_INTAKE, "", kNow).value();
  }
  std::vector<std::string> names;
  std::string after;
  while (true) {
    const auto page = directory_.ListKeys("balcony", after, 10).value();
    for (const v1::Key& key : page) names.push_back(key.name());
    if (page.size() < 10) break;
    after = names.back().substr(names.back().rfind('/') + 1);
  }
  EXPECT_EQ(names.size(), 25u);
  EXPECT_TRUE(std::is_sorted(names.begin(), names.end()));
  EXPECT_EQ(std::set<std::string>(names.begin(), names.end()).size(), 25u);

  EXPECT_EQ(directory_.ListCommunities("", 1)->at(0).name(), "communities/balcony");
  EXPECT_EQ(directory_.ListCommunities("balcony", 9)->at(0).name(), "communities/balcony-two");
}

TEST_F(DirectoryTest, RefusesWhatAKeyCannotBe) {
  MakeCommunity("balcony");
  for (const v1::Role role : {v1::ROLE_UNSPECIFIED, v1::ROLE_OPERATOR, static_cast<v1::Role>(99)}) {
    EXPECT_EQ(ReasonOf(directory_.CreateKey("balcony", role, "", kNow).status()), "role_not_valid");
  }
  EXPECT_EQ(ReasonOf(directory_.CreateKey("nowhere", v1::ROLE_INTAKE, "", kNow).status()),
            "community_not_found");
  EXPECT_TRUE(directory_.CreateKey("balcony", v1::ROLE_INTAKE, std::string(120, 'x'), kNow).ok());
  EXPECT_EQ(
      ReasonOf(
          directory_.CreateKey("balcony", v1::ROLE_INTAKE, std::string(121, 'x'), kNow).status()),
      "label_not_valid");
}

TEST_F(DirectoryTest, HoldsAsManyKeysOfACommunityAsStated) {
  MakeCommunity("balcony");
  for (int i = 1; i < Directory::kMostKeysOfCommunity; ++i) {
    ASSERT_TRUE(directory_.CreateKey("balcony", v1::ROLE_INTAKE, "", kNow).ok());
  }
  EXPECT_EQ(ReasonOf(directory_.CreateKey("balcony", v1::ROLE_INTAKE, "", kNow).status()),
            "too_many_keys");
}

}  // namespace
}  // namespace plumule::access
