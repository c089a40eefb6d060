// The directory of everything durable.
#pragma once

#include <memory>
#include <ostream>
#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "server/store/store.h"

namespace plumule::operate {

// Opens the store in the data directory, which is made (mode 0700) if it is not there. Errors of
// OpenRocksDbStore in words for an operator, and UNAVAILABLE (`directory_not_made`).
absl::StatusOr<std::unique_ptr<store::Store>> OpenDataDirectory(const std::string& directory);

// Reads every stored byte (its checksums are compared), walks the hash chain of every study, and
// folds every log again to compare it with the state that is kept. Writes one line a study and a
// last line that sums up. False if anything is damaged. Memory: the state of the largest study.
bool VerifyStore(const store::Store& store, std::ostream& out);

}  // namespace plumule::operate
