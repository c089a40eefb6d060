// The error for a state whose bytes are not what they should be.
#pragma once

#include <string>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/string_view.h"
#include "server/protocol/reason.h"

namespace plumule::log {

// DATA_LOSS (`store_damaged`), naming the table of `key` (store/keys.h).
inline absl::Status UnreadableState(absl::string_view key) {
  return ReasonedError(
      absl::StatusCode::kDataLoss, "store_damaged",
      absl::StrCat("a state of table ", key.substr(0, 1), " can't be read: restore a backup"));
}

}  // namespace plumule::log
