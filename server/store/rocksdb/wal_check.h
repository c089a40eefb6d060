// Tells a torn end of a write-ahead log from damage that looks like one.
//
// RocksDB takes a record that claims to reach beyond the file for a write that a crash cut short. A
// flipped byte in a length does the same and would silently drop the acknowledged writes behind it.
// The difference: since each write is synced before the next begins, no sound record can follow a
// torn one.
#pragma once

#include <string>

#include "absl/status/status.h"

namespace plumule::store {

// DATA_LOSS (`store_damaged`), naming file and position, if any log in `directory` has an
// unreadable record with a sound one behind it. Reads all logs once, at about the speed of a
// checksum. Damage to the very last record can't be told from a crash.
absl::Status CheckWriteAheadLogs(const std::string& directory);

}  // namespace plumule::store
