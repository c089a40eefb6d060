#include "server/store/rocksdb/rocksdb_store.h"

#include <atomic>
#include <filesystem>
#include <system_error>
#include <utility>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/synchronization/mutex.h"
#include "rocksdb/cache.h"
#include "rocksdb/db.h"
#include "rocksdb/filter_policy.h"
#include "rocksdb/table.h"
#include "rocksdb/write_batch.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/store/commit_errors.h"
#include "server/store/rocksdb/damage_log.h"
#include "server/store/rocksdb/wal_check.h"

namespace plumule::store {
namespace {

rocksdb::Slice AsSlice(absl::string_view text) { return {text.data(), text.size()}; }
absl::string_view AsView(const rocksdb::Slice& slice) { return {slice.data(), slice.size()}; }

absl::Status ReadError(const rocksdb::Status& status) {
  if (status.IsCorruption()) {
    return ReasonedError(absl::StatusCode::kDataLoss, "store_damaged",
                         absl::StrCat("a file of the store is damaged (", status.ToString(),
                                      "): stop the server and restore a backup"));
  }
  return ReasonedError(absl::StatusCode::kUnavailable, "store_unreadable",
                       absl::StrCat("the store can't be read (", status.ToString(),
                                    "): check the disk, then try again"));
}

absl::StatusOr<std::optional<std::string>> GetFrom(rocksdb::DB& db,
                                                   const rocksdb::ReadOptions& options,
                                                   absl::string_view key) {
  rocksdb::PinnableSlice value;
  const rocksdb::Status status = db.Get(options, db.DefaultColumnFamily(), AsSlice(key), &value);
  if (status.IsNotFound()) return std::nullopt;
  if (!status.ok()) return ReadError(status);
  return value.ToString();
}

absl::Status ScanFrom(rocksdb::DB& db, rocksdb::ReadOptions options, const KeyRange& range,
                      Visit visit) {
  const rocksdb::Slice end = AsSlice(range.end);
  if (!range.end.empty()) options.iterate_upper_bound = &end;
  const std::unique_ptr<rocksdb::Iterator> at(db.NewIterator(options));
  std::size_t visited = 0;
  for (at->Seek(AsSlice(range.start)); at->Valid(); at->Next()) {
    if (range.limit != 0 && visited++ == range.limit) break;
    if (!visit(AsView(at->key()), AsView(at->value()))) break;
  }
  return at->status().ok() ? absl::OkStatus() : ReadError(at->status());
}

class RocksDbSnapshot : public Snapshot {
 public:
  explicit RocksDbSnapshot(rocksdb::DB& db) : db_(db) { options_.snapshot = db.GetSnapshot(); }
  ~RocksDbSnapshot() override { db_.ReleaseSnapshot(options_.snapshot); }

  absl::StatusOr<std::optional<std::string>> Get(absl::string_view key) const override {
    return GetFrom(db_, options_, key);
  }
  absl::Status Scan(const KeyRange& range, Visit visit) const override {
    return ScanFrom(db_, options_, range, visit);
  }

 private:
  rocksdb::DB& db_;
  rocksdb::ReadOptions options_;
};

class RocksDbStore : public Store {
 public:
  RocksDbStore(std::unique_ptr<rocksdb::DB> db, std::string directory, std::size_t low_water)
      : db_(std::move(db)), directory_(std::move(directory)), low_water_(low_water) {}

  absl::StatusOr<std::optional<std::string>> Get(absl::string_view key) const override {
    return GetFrom(*db_, rocksdb::ReadOptions(), key);
  }
  absl::Status Scan(const KeyRange& range, Visit visit) const override {
    return ScanFrom(*db_, rocksdb::ReadOptions(), range, visit);
  }
  std::unique_ptr<Snapshot> TakeSnapshot() const override {
    return std::make_unique<RocksDbSnapshot>(*db_);
  }
  absl::Status Commit(const WriteBatch& batch, absl::Span<const Precondition> preconditions,
                      Durability durability) override {
    if (preconditions.empty()) {
      absl::ReaderMutexLock lock(&conditions_);
      return Write(batch, durability);
    }
    absl::WriterMutexLock lock(&conditions_);
    for (const Precondition& condition : preconditions) {
      PLUMULE_ASSIGN_OR_RETURN(std::optional<std::string> found, Get(condition.key));
      if (found != condition.expected) return PreconditionFailed();
    }
    return Write(batch, durability);
  }
  bool trusted() const override { return trusted_.load(); }

 private:
  absl::Status Write(const WriteBatch& batch, Durability durability) {
    if (!trusted()) return OutcomeUnknown("an earlier write failed");
    std::error_code error;
    const auto space = std::filesystem::space(directory_, error);
    if (!error && space.available < low_water_) {
      return StoreFull(absl::StrCat(space.available >> 20, " MiB are left in ", directory_));
    }
    rocksdb::WriteBatch writes(batch.bytes() + 16 * batch.writes().size());
    for (const WriteBatch::Write& write : batch.writes()) {
      if (write.value) {
        writes.Put(write.key, *write.value);
      } else {
        writes.Delete(write.key);
      }
    }
    rocksdb::WriteOptions options;
    options.sync = durability == Durability::kSynced;
    const rocksdb::Status status = db_->Write(options, &writes);
    if (status.ok()) return absl::OkStatus();
    // Whatever failed, part of the batch may be on disk, and a later sync could falsely succeed.
    trusted_ = false;
    return OutcomeUnknown(status.ToString());
  }

  std::unique_ptr<rocksdb::DB> db_;
  const std::string directory_;
  const std::size_t low_water_;
  // Held for writing by commits with preconditions, so that nothing changes between check and
  // write; for reading by the others, so that they share syncs.
  absl::Mutex conditions_;
  std::atomic<bool> trusted_ = true;
};

rocksdb::Options DbOptions(const RocksDbOptions& wanted) {
  rocksdb::BlockBasedTableOptions table;
  table.block_cache = rocksdb::NewLRUCache(wanted.block_cache_bytes);
  table.cache_index_and_filter_blocks = true;
  table.filter_policy.reset(rocksdb::NewBloomFilterPolicy(10));

  rocksdb::Options options;
  options.create_if_missing = true;
  if (wanted.env != nullptr) options.env = wanted.env;
  // The default would open silently without what follows a damaged byte.
  options.wal_recovery_mode = rocksdb::WALRecoveryMode::kTolerateCorruptedTailRecords;
  options.paranoid_checks = true;
  // A failed sync must not be papered over by a later one that succeeds.
  options.max_bgerror_resume_count = 0;
  options.table_factory.reset(rocksdb::NewBlockBasedTableFactory(table));
  options.write_buffer_size = wanted.write_buffer_bytes;
  options.max_write_buffer_number = 2;
  // Most look-ups are for record ids that are new.
  options.memtable_whole_key_filtering = true;
  options.memtable_prefix_bloom_size_ratio = 0.05;
  options.level_compaction_dynamic_level_bytes = true;
  options.max_background_jobs = 2;
  options.max_open_files = 512;
  options.stats_dump_period_sec = 0;
  return options;
}

absl::Status OpenError(const rocksdb::Status& status, const std::string& directory,
                       const DamageLog& log) {
  const std::string damage = log.first_damage();
  if (status.IsCorruption()) {
    return ReasonedError(
        absl::StatusCode::kDataLoss, "store_damaged",
        absl::StrCat("the store in ", directory, " is damaged (", status.ToString(),
                     damage.empty() ? "" : "; ", damage,
                     "): nothing was changed; restore a backup, or ask for help before you repair "
                     "it, since repairing drops records"));
  }
  if (status.IsIOError() && absl::StrContains(status.ToString(), "lock ")) {
    return ReasonedError(
        absl::StatusCode::kUnavailable, "store_in_use",
        absl::StrCat("another process uses the store in ", directory, ": stop it first"));
  }
  return ReasonedError(absl::StatusCode::kUnavailable, "store_unreadable",
                       absl::StrCat("the store in ", directory, " can't be opened (",
                                    status.ToString(), "): check the directory and the disk"));
}

}  // namespace

absl::StatusOr<std::unique_ptr<Store>> OpenRocksDbStore(const std::string& directory,
                                                        const RocksDbOptions& options) {
  PLUMULE_RETURN_IF_ERROR(CheckWriteAheadLogs(directory));
  const auto log = std::make_shared<DamageLog>();
  rocksdb::Options db_options = DbOptions(options);
  db_options.info_log = log;
  rocksdb::DB* opened = nullptr;
  const rocksdb::Status status = rocksdb::DB::Open(db_options, directory, &opened);
  std::unique_ptr<rocksdb::DB> db(opened);
  if (!status.ok()) return OpenError(status, directory, *log);
  auto store = std::make_unique<RocksDbStore>(std::move(db), directory, options.low_water_bytes);
  PLUMULE_RETURN_IF_ERROR(CheckLayout(*store));
  return store;
}

}  // namespace plumule::store
