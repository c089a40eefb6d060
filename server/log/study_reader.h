// Reads what is known of studies: where they stand, their protocols, progress, lists.
//
// All functions read a store or a snapshot of it, on any thread. Errors beside those named:
// DATA_LOSS
// (`store_damaged`, `log_damaged`).
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "plumule/intake/v1/intake_service.pb.h"
#include "plumule/study/v1/study_service.pb.h"
#include "server/log/state.pb.h"
#include "server/protocol/compiled_protocol.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::log {

// One page of a list.
template <typename T>
struct Page {
  std::vector<T> items;
  // Where the next page begins; empty after the last.
  std::string next_page_token;
};

// One study. NOT_FOUND (`study_not_found`).
absl::StatusOr<study::v1::Study> ReadStudy(const store::Reader& reader,
                                           const store::StudyName& study);

// Its folded state. NOT_FOUND (`study_not_found`).
absl::StatusOr<StudyState> ReadStudyState(const store::Reader& reader,
                                          const store::StudyName& study);

// Studies of a community by id. `page_size` is between 1 and 1000; `page_token` is empty or from
// the page before, INVALID_ARGUMENT (`page_token_not_valid`) else. So below.
absl::StatusOr<Page<study::v1::Study>> ListStudies(const store::Reader& reader,
                                                   const std::string& community, int page_size,
                                                   absl::string_view page_token);

// A published revision; 0 means the newest. NOT_FOUND (`revision_not_found`, `study_not_found`).
struct PublishedProtocol {
  study::v1::Protocol protocol;
  int revision = 0;
};
absl::StatusOr<PublishedProtocol> ReadProtocol(const store::Reader& reader,
                                               const store::StudyName& study, int revision);

// The same, compiled. Milliseconds: keep it.
absl::StatusOr<std::shared_ptr<const protocol::CompiledProtocol>> ReadCompiled(
    const store::Reader& reader, const store::StudyName& study, int revision);

// One freeze. NOT_FOUND (`freeze_not_found`).
absl::StatusOr<study::v1::Freeze> ReadFreeze(const store::Reader& reader,
                                             const store::StudyName& study, std::int64_t number);

// Freezes, newest first.
absl::StatusOr<Page<study::v1::Freeze>> ListFreezes(const store::Reader& reader,
                                                    const store::StudyName& study, int page_size,
                                                    absl::string_view page_token);

// How a study is doing, without outcomes by arm.
absl::StatusOr<intake::v1::Progress> ReadProgress(const store::Reader& reader,
                                                  const store::StudyName& study);

// Records kept aside, newest first.
absl::StatusOr<Page<intake::v1::RefusedRecord>> ListRefused(const store::Reader& reader,
                                                            const store::StudyName& study,
                                                            int page_size,
                                                            absl::string_view page_token);

// Records that wait, oldest first.
absl::StatusOr<Page<intake::v1::PendingRecord>> ListPending(const store::Reader& reader,
                                                            const store::StudyName& study,
                                                            int page_size,
                                                            absl::string_view page_token);

}  // namespace plumule::log
