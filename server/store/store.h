// Where everything durable lives: ordered byte keys, read singly or in ranges, written in batches
// that happen wholly or not at all.
//
// Two implementations, one contract (tests/unit/store/store_contract_test.cc): rocksdb/ for
// servers, MemoryStore for tests and dry runs.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "absl/functional/function_ref.h"
#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "absl/types/span.h"

namespace plumule::store {

// Which keys a scan visits: start ≤ key < end, at most `limit` of them.
struct KeyRange {
  std::string start;
  // First key that no longer belongs; empty: no upper end.
  std::string end;
  // 0: no limit.
  std::size_t limit = 0;
};

// All keys that begin with `prefix`, which must hold a byte other than 0xff.
KeyRange PrefixRange(absl::string_view prefix, std::size_t limit = 0);

// Called for each key in ascending order; the views are valid during the call. False ends the scan.
using Visit = absl::FunctionRef<bool(absl::string_view key, absl::string_view value)>;

// Something that keys can be read from. Safe from any thread.
class Reader {
 public:
  virtual ~Reader() = default;

  // The value of `key`; absent if there is none. DATA_LOSS (`store_damaged`) where the stored bytes
  // fail their checksum.
  virtual absl::StatusOr<std::optional<std::string>> Get(absl::string_view key) const = 0;
  // Visits a range of a consistent view. Errors as above.
  virtual absl::Status Scan(const KeyRange& range, Visit visit) const = 0;
};

// A view of the store that later commits do not change. Keeps old values alive: not for long.
class Snapshot : public Reader {};

// Writes that happen together, in order: the last write of a key counts.
class WriteBatch {
 public:
  // One write; no value: the key is deleted.
  struct Write {
    std::string key;
    std::optional<std::string> value;
  };

  void Put(std::string key, std::string value) {
    bytes_ += key.size() + value.size();
    writes_.push_back({std::move(key), std::move(value)});
  }
  void Delete(std::string key) {
    bytes_ += key.size();
    writes_.push_back({std::move(key), std::nullopt});
  }
  const std::vector<Write>& writes() const { return writes_; }
  bool empty() const { return writes_.empty(); }
  // Sum of the sizes of keys and values.
  std::size_t bytes() const { return bytes_; }

 private:
  std::vector<Write> writes_;
  std::size_t bytes_ = 0;
};

// What must hold for a batch to be written: `key` has exactly this value, or does not exist.
struct Precondition {
  std::string key;
  std::optional<std::string> expected;
};

// When a commit counts as done.
enum class Durability {
  // On disk.
  kSynced,
  // In the store, lost with the machine's power. For what can be made again.
  kBuffered,
};

class Store : public Reader {
 public:
  // A view of all that is committed now.
  virtual std::unique_ptr<Snapshot> TakeSnapshot() const = 0;

  // Writes `batch` if every precondition holds. Commits may come from any thread; those with
  // preconditions wait for each other, the others share syncs.
  //
  // ABORTED (`precondition_failed`): nothing was written. UNAVAILABLE (`outcome_unknown`): the
  // write or its sync failed; the batch may or may not be there after re-opening. After that the
  // store is not trusted: this and every later commit fails so, until a new Store is opened on the
  // directory. RESOURCE_EXHAUSTED (`store_full`): no room on the disk, nothing was written, and the
  // store stays usable.
  virtual absl::Status Commit(const WriteBatch& batch,
                              absl::Span<const Precondition> preconditions = {},
                              Durability durability = Durability::kSynced) = 0;

  // False after a failed write.
  virtual bool trusted() const = 0;
};

// Number of the key layout that keys.h describes. A store of another layout is refused.
inline constexpr int kLayoutVersion = 1;

// Checks the layout record of a store, writing it into an empty one. FAILED_PRECONDITION
// (`layout_unknown`) if the store was written by a program with another layout.
absl::Status CheckLayout(Store& store);

}  // namespace plumule::store
