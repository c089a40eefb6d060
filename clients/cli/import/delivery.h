#pragma once

#include <functional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "clients/cli/import/row_records.h"
#include "clients/cpp/connection.h"

namespace plumule::cli {

// How many records a request carries at most; the contract allows 1,000 and 4 MiB.
inline constexpr size_t kMostRecordsPerRequest = 1000;

// Ends (exclusive) of the requests into which records are parted: as many whole owners as fit, so
// that a grower's records go together; an owner with more is parted.
std::vector<size_t> RequestEnds(const std::vector<DraftRecord>& records);

enum class Delivery { kTry, kSend };

// Sends or tries all records; one receipt each, in their order. With an error some may have been
// stored: sending again is safe. `on_progress` (may be empty) hears how many are answered.
absl::StatusOr<std::vector<intake::v1::Receipt>> Deliver(
    client::Connection& server, const std::string& study, const std::vector<DraftRecord>& records,
    Delivery delivery, const std::function<void(size_t answered)>& on_progress);

}  // namespace plumule::cli
