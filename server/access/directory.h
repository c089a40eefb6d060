// The communities of a server and the keys that open them.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/container/flat_hash_map.h"
#include "absl/functional/function_ref.h"
#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"
#include "plumule/access/v1/access_service.pb.h"
#include "server/access/key_token.h"
#include "server/access/randomness.h"
#include "server/store/store.h"

namespace plumule::access {

// Who makes a call, as proven by a key.
struct Caller {
  std::string key_id;
  v1::Role role = v1::ROLE_UNSPECIFIED;
  // Empty for the operator.
  std::string community;
};

// A key just made; the only moment at which its secret is known.
struct NewKey {
  v1::Key key;
  std::string secret;
};

// Communities and keys, kept in the store; keys in memory as well, so that proving one waits for
// nothing. Thread-safe. What makes or ends something writes to disk and waits for it; errors of the
// store are passed on.
class Directory {
 public:
  static constexpr int kMostCommunities = 10'000;
  static constexpr int kMostKeysOfCommunity = 1'000;

  // Neither is owned; both must outlive the directory.
  Directory(store::Store& store, Randomness& randomness);

  // Reads all keys. Once, before anything else.
  absl::Status Load();

  // Makes the operator's key if there is none yet. `show` gets the secret before the key becomes
  // valid: if it fails, no key is made, and the next start tries again. True: a key was made.
  absl::StatusOr<bool> EnsureOperatorKey(absl::Time now,
                                         absl::FunctionRef<absl::Status(absl::string_view)> show);

  // Whose key this is. UNAUTHENTICATED (`key_not_valid`) for unknown, revoked and malformed ones
  // alike. Waits for nothing.
  absl::StatusOr<Caller> Prove(absl::string_view secret) const;

  // ALREADY_EXISTS (`community_exists`), INVALID_ARGUMENT (`id_not_valid`, `title_not_valid`),
  // RESOURCE_EXHAUSTED (`too_many_communities`).
  absl::StatusOr<v1::CreateCommunityResponse> CreateCommunity(
      const v1::CreateCommunityRequest& request, absl::Time now);

  // At most `limit` communities with ids after `after`, by id.
  absl::StatusOr<std::vector<v1::Community>> ListCommunities(absl::string_view after,
                                                             int limit) const;

  // NOT_FOUND (`community_not_found`), INVALID_ARGUMENT (`role_not_valid`, `label_not_valid`),
  // RESOURCE_EXHAUSTED (`too_many_keys`).
  absl::StatusOr<NewKey> CreateKey(absl::string_view community, v1::Role role,
                                   absl::string_view label, absl::Time now);

  // At most `limit` keys with ids after `after`, by id. NOT_FOUND (`community_not_found`).
  absl::StatusOr<std::vector<v1::Key>> ListKeys(absl::string_view community,
                                                absl::string_view after, int limit) const;

  // Ends a key at once; an ended one stays so. NOT_FOUND (`key_not_found`).
  absl::StatusOr<v1::Key> RevokeKey(absl::string_view community, absl::string_view key_id);

 private:
  struct KnownKey {
    Caller caller;
    SecretHash hash;
    bool revoked = false;
  };
  // A key as it is stored: 32 bytes of hash, then the v1.Key.
  struct StoredKey {
    SecretHash hash;
    v1::Key key;
  };

  absl::Status LoadKey(absl::string_view community, absl::string_view key_id);
  absl::StatusOr<std::optional<StoredKey>> ReadKey(absl::string_view key_id) const;
  // A token with an id that no key has yet.
  KeyToken UnusedToken() const;
  StoredKey DescribeKey(const KeyToken& token, absl::string_view community, v1::Role role,
                        absl::string_view label, absl::Time now) const;
  void Remember(absl::string_view community, const StoredKey& stored);
  absl::StatusOr<bool> CommunityExists(absl::string_view community) const;
  absl::StatusOr<int> CountKeys(absl::string_view prefix, int limit) const;
  static std::string Encode(const StoredKey& stored);

  store::Store& store_;
  Randomness& randomness_;
  // One change at a time, from looking to having written.
  absl::Mutex change_mutex_;
  mutable absl::Mutex keys_mutex_;
  absl::flat_hash_map<std::string, KnownKey> keys_ ABSL_GUARDED_BY(keys_mutex_);
};

}  // namespace plumule::access
