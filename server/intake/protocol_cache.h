// The compiled protocols of studies that records come for, shared by the threads that read them.
#pragma once

#include <memory>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/container/flat_hash_map.h"
#include "absl/status/statusor.h"
#include "absl/synchronization/mutex.h"
#include "server/protocol/compiled_protocol.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::intake {

// Any thread. Published revisions never change, so nothing is ever out of date but the newest
// revision's number, which is looked up again for a revision that is not known.
class ProtocolCache {
 public:
  // Studies kept; beyond that all are forgotten and compiled again as they are needed.
  static constexpr std::size_t kMostStudies = 500;

  explicit ProtocolCache(const store::Reader& reader) : reader_(reader) {}

  // The protocol of a revision; null if the study has others, but not this one. NOT_FOUND
  // (`study_not_found`), FAILED_PRECONDITION (`study_not_open`) if it has none at all.
  absl::StatusOr<std::shared_ptr<const protocol::CompiledProtocol>> Get(
      const store::StudyName& study, int revision);

 private:
  using Compiled = std::vector<std::shared_ptr<const protocol::CompiledProtocol>>;

  std::shared_ptr<const protocol::CompiledProtocol> Known(const store::StudyName& study,
                                                          int revision) const;

  const store::Reader& reader_;
  mutable absl::Mutex mutex_;
  // By revision, from 1; null where none was asked for.
  absl::flat_hash_map<store::StudyName, Compiled> studies_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace plumule::intake
