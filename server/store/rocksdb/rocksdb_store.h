// The Store on RocksDB: one directory, one column family, every acknowledged batch synced.
#pragma once

#include <memory>
#include <string>

#include "absl/status/statusor.h"
#include "server/store/store.h"

namespace rocksdb {
class Env;
}

namespace plumule::store {

struct RocksDbOptions {
  // Memory for blocks read from files, filters and indexes.
  std::size_t block_cache_bytes = std::size_t{64} << 20;
  // Memory for writes not yet in files; twice this at most is held.
  std::size_t write_buffer_bytes = std::size_t{32} << 20;
  // Commits are refused (`store_full`) while the disk has less room than this.
  std::size_t low_water_bytes = std::size_t{64} << 20;
  // Files and threads; null: the system's. Must outlive the store. Tests inject faults here.
  rocksdb::Env* env = nullptr;
};

// Opens, or makes, the store in `directory`, and checks its layout. Only one process at a time may
// hold it.
//
// DATA_LOSS (`store_damaged`): a file is damaged before its end; the message names it. Nothing is
// repaired silently: restore a backup. UNAVAILABLE (`store_in_use`): another process has it.
// FAILED_PRECONDITION (`layout_unknown`). UNAVAILABLE (`store_unreadable`): anything else, with
// words. Time grows with what was written since the last clean end, at most `write_buffer_bytes`.
absl::StatusOr<std::unique_ptr<Store>> OpenRocksDbStore(const std::string& directory,
                                                        const RocksDbOptions& options = {});

}  // namespace plumule::store
