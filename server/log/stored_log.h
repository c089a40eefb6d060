// How log entries and heads are laid out in the store's values. See store/keys.h.
#pragma once

#include <cstdint>
#include <string>

#include "absl/status/status.h"
#include "absl/strings/string_view.h"
#include "server/log/chain.h"
#include "server/store/study_name.h"

namespace plumule::log {

inline constexpr std::size_t kHashBytes = 32;

// Value of an entry's key: hash, then the entry's bytes.
std::string EncodeStoredEntry(const Hash& hash, absl::string_view entry);

// Value of the head's key: sequence (8 bytes, big endian), then hash.
std::string EncodeHead(const Head& head);

// DATA_LOSS (`log_damaged`): "entry N of the log of STUDY `what`".
absl::Status LogDamaged(const store::StudyName& study, std::int64_t sequence,
                        absl::string_view what);

}  // namespace plumule::log
