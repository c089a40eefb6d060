#include "server/store/memory_store.h"

#include <utility>

#include "server/store/commit_errors.h"

namespace plumule::store {
namespace {

using Map = std::map<std::string, std::string, std::less<>>;

std::optional<std::string> Find(const Map& map, absl::string_view key) {
  const auto found = map.find(std::string(key));
  if (found == map.end()) return std::nullopt;
  return found->second;
}

void Walk(const Map& map, const KeyRange& range, Visit visit) {
  std::size_t visited = 0;
  for (auto at = map.lower_bound(range.start); at != map.end(); ++at) {
    if (!range.end.empty() && at->first >= range.end) return;
    if (range.limit != 0 && visited++ == range.limit) return;
    if (!visit(at->first, at->second)) return;
  }
}

class MemorySnapshot : public Snapshot {
 public:
  explicit MemorySnapshot(std::shared_ptr<const Map> map) : map_(std::move(map)) {}
  absl::StatusOr<std::optional<std::string>> Get(absl::string_view key) const override {
    return Find(*map_, key);
  }
  absl::Status Scan(const KeyRange& range, Visit visit) const override {
    Walk(*map_, range, visit);
    return absl::OkStatus();
  }

 private:
  std::shared_ptr<const Map> map_;
};

}  // namespace

std::shared_ptr<const MemoryStore::Map> MemoryStore::Current() const {
  absl::MutexLock lock(&mutex_);
  return map_;
}

absl::StatusOr<std::optional<std::string>> MemoryStore::Get(absl::string_view key) const {
  absl::MutexLock lock(&mutex_);
  return Find(*map_, key);
}

absl::Status MemoryStore::Scan(const KeyRange& range, Visit visit) const {
  Walk(*Current(), range, visit);
  return absl::OkStatus();
}

std::unique_ptr<Snapshot> MemoryStore::TakeSnapshot() const {
  return std::make_unique<MemorySnapshot>(Current());
}

absl::Status MemoryStore::Commit(const WriteBatch& batch,
                                 absl::Span<const Precondition> preconditions, Durability) {
  absl::MutexLock lock(&mutex_);
  if (!trusted_) return OutcomeUnknown("the store failed before");
  for (const Precondition& condition : preconditions) {
    if (Find(*map_, condition.key) != condition.expected) return PreconditionFailed();
  }
  // Someone still reads the map: leave it to them.
  if (map_.use_count() > 1) map_ = std::make_shared<Map>(*map_);
  for (const WriteBatch::Write& write : batch.writes()) {
    if (write.value) {
      (*map_)[write.key] = *write.value;
    } else {
      map_->erase(write.key);
    }
  }
  return absl::OkStatus();
}

bool MemoryStore::trusted() const {
  absl::MutexLock lock(&mutex_);
  return trusted_;
}

void MemoryStore::LoseTrust() {
  absl::MutexLock lock(&mutex_);
  trusted_ = false;
}

}  // namespace plumule::store
