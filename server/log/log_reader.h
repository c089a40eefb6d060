// Reads a study's log: entries, head, and whether they are sound.
#pragma once

#include <cstdint>
#include <string>

#include "absl/functional/function_ref.h"
#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "plumule/intake/v1/record.pb.h"
#include "server/log/chain.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::log {

// Called for each entry in order: its sequence, its bytes as hashed, its hash (32 bytes). Views are
// valid during the call. False ends the reading.
using VisitEntry =
    absl::FunctionRef<bool(std::int64_t sequence, absl::string_view entry, absl::string_view hash)>;

// Visits entries from `from` (at least 1) on, at most `limit` (0: all). Reads, checks nothing.
absl::Status ReadEntries(const store::Reader& reader, const store::StudyName& study,
                         std::int64_t from, std::size_t limit, VisitEntry visit);

// One entry. DATA_LOSS (`log_damaged`) if it is not there or can't be read.
absl::StatusOr<intake::v1::LogEntry> ReadEntry(const store::Reader& reader,
                                               const store::StudyName& study,
                                               std::int64_t sequence);

// Where the log ends, as the head record says.
absl::StatusOr<Head> ReadHead(const store::Reader& reader, const store::StudyName& study);

// ReadHead, and the head's entry is there with that hash and nothing comes after it. DATA_LOSS
// (`log_damaged`) naming study and sequence. Two look-ups; done whenever a study is opened.
absl::StatusOr<Head> CheckHead(const store::Reader& reader, const store::StudyName& study);

// Walks the whole chain and compares its end with the head. DATA_LOSS (`log_damaged`) naming the
// first bad sequence.
absl::StatusOr<Head> Verify(const store::Reader& reader, const store::StudyName& study);

// Folds the log again into `fresh`, which must be empty, and compares every derived key with what
// `reader` holds. DATA_LOSS (`state_damaged`) naming the first table and key that differ. Memory:
// that of `fresh`.
absl::Status RebuildState(const store::Reader& reader, const store::StudyName& study,
                          store::Store& fresh);

}  // namespace plumule::log
