// A Store in memory, for tests and for states that are made and thrown away.
#pragma once

#include <map>
#include <memory>

#include "absl/base/thread_annotations.h"
#include "absl/synchronization/mutex.h"
#include "server/store/store.h"

namespace plumule::store {

// Everything is lost with the object. A commit while a snapshot or a scan is held copies the store.
class MemoryStore : public Store {
 public:
  absl::StatusOr<std::optional<std::string>> Get(absl::string_view key) const override;
  absl::Status Scan(const KeyRange& range, Visit visit) const override;
  std::unique_ptr<Snapshot> TakeSnapshot() const override;
  absl::Status Commit(const WriteBatch& batch, absl::Span<const Precondition> preconditions,
                      Durability durability) override;
  bool trusted() const override;

  // Makes every later commit fail with `outcome_unknown`, as after a failed sync.
  void LoseTrust();

 private:
  // Shared with scans and snapshots, so never changed while anyone else holds it.
  using Map = std::map<std::string, std::string, std::less<>>;

  std::shared_ptr<const Map> Current() const;

  mutable absl::Mutex mutex_;
  std::shared_ptr<Map> map_ ABSL_GUARDED_BY(mutex_) = std::make_shared<Map>();
  bool trusted_ ABSL_GUARDED_BY(mutex_) = true;
};

}  // namespace plumule::store
