#include "server/access/directory.h"

#include <algorithm>
#include <utility>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "server/access/resource_name.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/store/keys.h"

namespace plumule::access {
namespace {

constexpr std::size_t kLongestWords = 120;
constexpr char kOperatorKeyName[] = "operator_key";

google::protobuf::Timestamp TimestampOf(absl::Time time) {
  google::protobuf::Timestamp timestamp;
  const absl::Duration since = time - absl::UnixEpoch();
  timestamp.set_seconds(absl::ToInt64Seconds(absl::Floor(since, absl::Seconds(1))));
  timestamp.set_nanos(static_cast<std::int32_t>(
      absl::ToInt64Nanoseconds(since - absl::Seconds(timestamp.seconds()))));
  return timestamp;
}

// Counts code points of valid UTF-8, which protobuf makes sure of.
std::size_t Characters(absl::string_view text) {
  return static_cast<std::size_t>(std::count_if(text.begin(), text.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xc0) != 0x80;
  }));
}

absl::Status CheckWords(absl::string_view field, absl::string_view reason,
                        absl::string_view words) {
  const bool printable = std::none_of(words.begin(), words.end(), [](char c) {
    return absl::ascii_iscntrl(static_cast<unsigned char>(c));
  });
  if (printable && Characters(words) <= kLongestWords) return absl::OkStatus();
  return ReasonedError(
      absl::StatusCode::kInvalidArgument, reason,
      absl::StrCat("`", field, "` is too long or holds control characters"),
      {{std::string(field), std::string(reason), "Give one line of at most 120 characters."}});
}

absl::Status CommunityNotFound(absl::string_view community) {
  return WithMetadata(ReasonedError(absl::StatusCode::kNotFound, "community_not_found",
                                    absl::StrCat("there is no community `", community,
                                                 "`; ListCommunities names them")),
                      "community", community);
}

absl::Status KeyNotValid() {
  return ReasonedError(absl::StatusCode::kUnauthenticated, "key_not_valid",
                       "the key is unknown or was revoked; ask the organizer for a new one");
}

// The first key behind that of `id` in a table with that prefix.
store::KeyRange After(std::string prefix, std::string key, bool anything_before, int limit) {
  store::KeyRange range = store::PrefixRange(prefix, static_cast<std::size_t>(limit));
  if (anything_before) range.start = std::move(key) + '\0';
  return range;
}

}  // namespace

Directory::Directory(store::Store& store, Randomness& randomness)
    : store_(store), randomness_(randomness) {}

absl::Status Directory::Load() {
  std::vector<std::pair<std::string, std::string>> found;
  PLUMULE_RETURN_IF_ERROR(store_.Scan(store::PrefixRange(store::CommunitiesPrefix()),
                                      [&](absl::string_view key, absl::string_view) {
                                        found.emplace_back(store::TextPartOf(key, 0), "");
                                        return true;
                                      }));
  std::vector<std::pair<std::string, std::string>> keys;
  for (const auto& [community, unused] : found) {
    PLUMULE_RETURN_IF_ERROR(
        store_.Scan(store::PrefixRange(store::CommunityAccessKeysPrefix(community)),
                    [&, name = community](absl::string_view key, absl::string_view) {
                      keys.emplace_back(name, store::TextPartOf(key, 1));
                      return true;
                    }));
  }
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::string> operator_id,
                           store_.Get(store::ServerKey(kOperatorKeyName)));
  if (operator_id.has_value()) keys.emplace_back("", *operator_id);
  for (const auto& [community, key_id] : keys) {
    PLUMULE_RETURN_IF_ERROR(LoadKey(community, key_id));
  }
  return absl::OkStatus();
}

absl::Status Directory::LoadKey(absl::string_view community, absl::string_view key_id) {
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<StoredKey> stored, ReadKey(key_id));
  if (!stored.has_value()) {
    return ReasonedError(
        absl::StatusCode::kDataLoss, "store_damaged",
        absl::StrCat("the key ", key_id, " is listed but not stored; restore a backup"));
  }
  Remember(community, *stored);
  return absl::OkStatus();
}

absl::StatusOr<std::optional<Directory::StoredKey>> Directory::ReadKey(
    absl::string_view key_id) const {
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::string> bytes,
                           store_.Get(store::AccessKeyKey(key_id)));
  if (!bytes.has_value()) return std::nullopt;
  StoredKey stored;
  if (bytes->size() < stored.hash.size() ||
      !stored.key.ParseFromString(bytes->substr(stored.hash.size()))) {
    return ReasonedError(absl::StatusCode::kDataLoss, "store_damaged",
                         absl::StrCat("the key ", key_id, " can't be read; restore a backup"));
  }
  std::copy_n(bytes->begin(), stored.hash.size(), stored.hash.begin());
  return std::optional<StoredKey>(std::move(stored));
}

std::string Directory::Encode(const StoredKey& stored) {
  return std::string(stored.hash.begin(), stored.hash.end()) + stored.key.SerializeAsString();
}

void Directory::Remember(absl::string_view community, const StoredKey& stored) {
  const std::string id(stored.key.name().substr(stored.key.name().rfind('/') + 1));
  const absl::MutexLock lock(&keys_mutex_);
  keys_[id] = {
      .caller = {.key_id = id, .role = stored.key.role(), .community = std::string(community)},
      .hash = stored.hash,
      .revoked = stored.key.revoked()};
}

KeyToken Directory::UnusedToken() const {
  while (true) {
    KeyToken token = MakeKeyToken(randomness_);
    const absl::ReaderMutexLock lock(&keys_mutex_);
    if (!keys_.contains(token.id)) return token;
  }
}

Directory::StoredKey Directory::DescribeKey(const KeyToken& token, absl::string_view community,
                                            v1::Role role, absl::string_view label,
                                            absl::Time now) const {
  StoredKey stored;
  stored.hash = HashSecret(token);
  stored.key.set_name(community.empty()
                          ? absl::StrCat("keys/", token.id)
                          : absl::StrCat("communities/", community, "/keys/", token.id));
  stored.key.set_role(role);
  stored.key.set_label(std::string(label));
  *stored.key.mutable_create_time() = TimestampOf(now);
  return stored;
}

absl::StatusOr<bool> Directory::EnsureOperatorKey(
    absl::Time now, absl::FunctionRef<absl::Status(absl::string_view)> show) {
  const absl::MutexLock change(&change_mutex_);
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::string> existing,
                           store_.Get(store::ServerKey(kOperatorKeyName)));
  if (existing.has_value()) return false;
  const KeyToken token = UnusedToken();
  const StoredKey stored = DescribeKey(token, "", v1::ROLE_OPERATOR, "operator", now);
  PLUMULE_RETURN_IF_ERROR(show(FormatKeyToken(token)));
  store::WriteBatch batch;
  batch.Put(store::AccessKeyKey(token.id), Encode(stored));
  batch.Put(store::ServerKey(kOperatorKeyName), token.id);
  PLUMULE_RETURN_IF_ERROR(store_.Commit(batch));
  Remember("", stored);
  return true;
}

absl::StatusOr<Caller> Directory::Prove(absl::string_view secret) const {
  const std::optional<KeyToken> token = ParseKeyToken(secret);
  if (!token.has_value()) return KeyNotValid();
  const SecretHash hash = HashSecret(*token);
  const absl::ReaderMutexLock lock(&keys_mutex_);
  const auto known = keys_.find(token->id);
  if (known == keys_.end() || !SameHash(known->second.hash, hash) || known->second.revoked) {
    return KeyNotValid();
  }
  return known->second.caller;
}

absl::StatusOr<bool> Directory::CommunityExists(absl::string_view community) const {
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::string> found,
                           store_.Get(store::CommunityKey(community)));
  return found.has_value();
}

absl::StatusOr<int> Directory::CountKeys(absl::string_view prefix, int limit) const {
  int count = 0;
  PLUMULE_RETURN_IF_ERROR(
      store_.Scan(store::PrefixRange(prefix, static_cast<std::size_t>(limit)),
                  [&](absl::string_view, absl::string_view) { return ++count, true; }));
  return count;
}

absl::StatusOr<v1::CreateCommunityResponse> Directory::CreateCommunity(
    const v1::CreateCommunityRequest& request, absl::Time now) {
  if (!IsChosenId(request.community_id())) {
    return ReasonedError(
        absl::StatusCode::kInvalidArgument, "id_not_valid",
        "`community_id` is not an id for a community",
        {{"community_id", "id_not_valid",
          "Give 3 to 40 lower-case letters, digits and hyphens that start with a letter."}});
  }
  PLUMULE_RETURN_IF_ERROR(CheckWords("title", "title_not_valid", request.title()));
  const absl::MutexLock change(&change_mutex_);
  PLUMULE_ASSIGN_OR_RETURN(const bool exists, CommunityExists(request.community_id()));
  if (exists) {
    return WithMetadata(ReasonedError(absl::StatusCode::kAlreadyExists, "community_exists",
                                      absl::StrCat("there is a community `", request.community_id(),
                                                   "` already; choose another id")),
                        "community", request.community_id());
  }
  PLUMULE_ASSIGN_OR_RETURN(const int count,
                           CountKeys(store::CommunitiesPrefix(), kMostCommunities));
  if (count >= kMostCommunities) {
    return ReasonedError(absl::StatusCode::kResourceExhausted, "too_many_communities",
                         absl::StrCat("this server holds its ", kMostCommunities, " communities"));
  }
  v1::CreateCommunityResponse response;
  response.mutable_community()->set_name(absl::StrCat("communities/", request.community_id()));
  response.mutable_community()->set_title(request.title());
  *response.mutable_community()->mutable_create_time() = TimestampOf(now);
  const KeyToken token = UnusedToken();
  const StoredKey stored =
      DescribeKey(token, request.community_id(), v1::ROLE_ORGANIZER, "first organizer", now);
  store::WriteBatch batch;
  batch.Put(store::CommunityKey(request.community_id()), response.community().SerializeAsString());
  batch.Put(store::AccessKeyKey(token.id), Encode(stored));
  batch.Put(store::CommunityAccessKeyKey(request.community_id(), token.id), "");
  PLUMULE_RETURN_IF_ERROR(store_.Commit(batch));
  Remember(request.community_id(), stored);
  *response.mutable_key() = stored.key;
  response.set_secret(FormatKeyToken(token));
  return response;
}

absl::StatusOr<std::vector<v1::Community>> Directory::ListCommunities(absl::string_view after,
                                                                      int limit) const {
  std::vector<v1::Community> communities;
  PLUMULE_RETURN_IF_ERROR(store_.Scan(
      After(store::CommunitiesPrefix(), store::CommunityKey(after), !after.empty(), limit),
      [&](absl::string_view, absl::string_view value) {
        return communities.emplace_back().ParseFromArray(value.data(),
                                                         static_cast<int>(value.size()));
      }));
  return communities;
}

absl::StatusOr<NewKey> Directory::CreateKey(absl::string_view community, v1::Role role,
                                            absl::string_view label, absl::Time now) {
  if (role != v1::ROLE_ORGANIZER && role != v1::ROLE_INTAKE && role != v1::ROLE_RESEARCHER) {
    return ReasonedError(
        absl::StatusCode::kInvalidArgument, "role_not_valid",
        "`role` is not one that a community's key may have",
        {{"role", "role_not_valid", "Give ROLE_ORGANIZER, ROLE_INTAKE or ROLE_RESEARCHER."}});
  }
  PLUMULE_RETURN_IF_ERROR(CheckWords("label", "label_not_valid", label));
  const absl::MutexLock change(&change_mutex_);
  PLUMULE_ASSIGN_OR_RETURN(const bool exists, CommunityExists(community));
  if (!exists) return CommunityNotFound(community);
  PLUMULE_ASSIGN_OR_RETURN(const int count, CountKeys(store::CommunityAccessKeysPrefix(community),
                                                      kMostKeysOfCommunity));
  if (count >= kMostKeysOfCommunity) {
    return ReasonedError(absl::StatusCode::kResourceExhausted, "too_many_keys",
                         absl::StrCat("the community has its ", kMostKeysOfCommunity,
                                      " keys, revoked ones included"));
  }
  const KeyToken token = UnusedToken();
  const StoredKey stored = DescribeKey(token, community, role, label, now);
  store::WriteBatch batch;
  batch.Put(store::AccessKeyKey(token.id), Encode(stored));
  batch.Put(store::CommunityAccessKeyKey(community, token.id), "");
  PLUMULE_RETURN_IF_ERROR(store_.Commit(batch));
  Remember(community, stored);
  return NewKey{.key = stored.key, .secret = FormatKeyToken(token)};
}

absl::StatusOr<std::vector<v1::Key>> Directory::ListKeys(absl::string_view community,
                                                         absl::string_view after, int limit) const {
  PLUMULE_ASSIGN_OR_RETURN(const bool exists, CommunityExists(community));
  if (!exists) return CommunityNotFound(community);
  std::vector<std::string> ids;
  PLUMULE_RETURN_IF_ERROR(
      store_.Scan(After(store::CommunityAccessKeysPrefix(community),
                        store::CommunityAccessKeyKey(community, after), !after.empty(), limit),
                  [&](absl::string_view key, absl::string_view) {
                    ids.emplace_back(store::TextPartOf(key, 1));
                    return true;
                  }));
  std::vector<v1::Key> keys;
  for (const std::string& id : ids) {
    PLUMULE_ASSIGN_OR_RETURN(std::optional<StoredKey> stored, ReadKey(id));
    if (stored.has_value()) keys.push_back(std::move(stored->key));
  }
  return keys;
}

absl::StatusOr<v1::Key> Directory::RevokeKey(absl::string_view community,
                                             absl::string_view key_id) {
  const absl::MutexLock change(&change_mutex_);
  PLUMULE_ASSIGN_OR_RETURN(std::optional<StoredKey> stored, ReadKey(key_id));
  const std::string name = absl::StrCat("communities/", community, "/keys/", key_id);
  if (!stored.has_value() || stored->key.name() != name) {
    return WithMetadata(
        ReasonedError(absl::StatusCode::kNotFound, "key_not_found",
                      absl::StrCat("there is no key `", name, "`; ListKeys names them")),
        "key", name);
  }
  stored->key.set_revoked(true);
  store::WriteBatch batch;
  batch.Put(store::AccessKeyKey(key_id), Encode(*stored));
  PLUMULE_RETURN_IF_ERROR(store_.Commit(batch));
  Remember(community, *stored);
  return stored->key;
}

}  // namespace plumule::access
