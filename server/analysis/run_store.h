// Runs and results in the store: which keys change together.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "plumule/analysis/v1/analysis_service.pb.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::analysis {

// One page of a list, newest first.
template <typename Item>
struct Page {
  std::vector<Item> items;
  // Empty after the last page.
  std::string next_page_token;
};

// Name of a run or result: "communities/{community}/studies/{study}/{runs|results}/{id}".
struct StudyPartName {
  store::StudyName study;
  std::string id;
};

// Splits "…/{collection}/{id}". INVALID_ARGUMENT `name_not_valid`.
absl::StatusOr<StudyPartName> ParseStudyPart(absl::string_view name, absl::string_view collection);

// Reads and writes runs and results. Thread-safe as the store is; runs of one study are added by
// one thread at a time. Errors of the store are passed on; DATA_LOSS `store_damaged` for stored
// bytes that can't be read.
class RunStore {
 public:
  // `store` must outlive this.
  explicit RunStore(store::Store* store) : store_(store) {}

  // The run; absent if there is none.
  absl::StatusOr<std::optional<v1::Run>> GetRun(const StudyPartName& name) const;
  // The result; absent if there is none.
  absl::StatusOr<std::optional<v1::StoredResult>> GetResult(const StudyPartName& name) const;
  // Name of the result under `cache_key` (32 bytes); absent if there is none.
  absl::StatusOr<std::optional<std::string>> FindCached(absl::string_view cache_key) const;

  // Number for the next run of a study, from 1.
  absl::StatusOr<std::int64_t> NextNumber(const store::StudyName& study) const;
  // Adds a run.
  absl::Status AddRun(const StudyPartName& name, std::int64_t number, const v1::Run& run);
  // Writes the new state of a run that has not ended; not synced, since a restart ends it anyhow.
  absl::Status NoteRunning(const StudyPartName& name, const v1::Run& run);
  // Writes a run that has ended, and its result, if it has one of its own, under its cache key.
  absl::Status EndRun(const StudyPartName& name, std::int64_t number, const v1::Run& run,
                      const v1::StoredResult* result, absl::string_view cache_key);

  // All runs of all studies that have not ended.
  absl::StatusOr<std::vector<StudyPartName>> OpenRuns() const;
  // Writes a run that ended with the server that ran it.
  absl::Status EndLostRun(const StudyPartName& name, const v1::Run& run);

  // Pages of a study's runs and of its results without their bodies, newest first; see Runs.
  absl::StatusOr<Page<v1::Run>> ListRuns(const store::StudyName& study, int page_size,
                                         absl::string_view page_token) const;
  absl::StatusOr<Page<v1::StoredResult>> ListResults(const store::StudyName& study, int page_size,
                                                     absl::string_view page_token) const;

 private:
  store::Store* const store_;
};

}  // namespace plumule::analysis
