// The compiled protocols of a study's revisions, made once each.
#pragma once

#include <memory>
#include <vector>

#include "absl/status/statusor.h"
#include "server/log/state_space.h"
#include "server/protocol/compiled_protocol.h"
#include "server/store/study_name.h"

namespace plumule::log {

// One study's. One thread at a time.
class Revisions {
 public:
  // The protocol of a revision that `space` knows as published; NOT_FOUND (`revision_not_found`).
  absl::StatusOr<std::shared_ptr<const protocol::CompiledProtocol>> Get(
      StateSpace& space, const store::StudyName& study, int revision);

 private:
  std::vector<std::shared_ptr<const protocol::CompiledProtocol>> compiled_;
};

// NOT_FOUND (`revision_not_found`).
absl::Status RevisionNotFound(const store::StudyName& study, int revision);

}  // namespace plumule::log
