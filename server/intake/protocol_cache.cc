#include "server/intake/protocol_cache.h"

#include <algorithm>

#include "absl/strings/str_cat.h"
#include "server/log/study_reader.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"

namespace plumule::intake {

std::shared_ptr<const protocol::CompiledProtocol> ProtocolCache::Known(
    const store::StudyName& study, int revision) const {
  absl::ReaderMutexLock lock(&mutex_);
  const auto found = studies_.find(study);
  const auto index = static_cast<std::size_t>(revision - 1);
  if (revision < 1 || found == studies_.end() || index >= found->second.size()) return nullptr;
  return found->second[index];
}

absl::StatusOr<std::shared_ptr<const protocol::CompiledProtocol>> ProtocolCache::Get(
    const store::StudyName& study, int revision) {
  if (auto known = Known(study, revision)) return known;
  PLUMULE_ASSIGN_OR_RETURN(const log::StudyState state, log::ReadStudyState(reader_, study));
  const int newest = state.revision_sequences_size();
  if (newest == 0) {
    return ReasonedError(
        absl::StatusCode::kFailedPrecondition, "study_not_open",
        absl::StrCat(study.Format(), " has no published protocol yet: ask its organizer"));
  }
  if (revision < 1 || revision > newest) return nullptr;
  PLUMULE_ASSIGN_OR_RETURN(auto compiled, log::ReadCompiled(reader_, study, revision));
  absl::WriterMutexLock lock(&mutex_);
  if (studies_.size() >= kMostStudies && !studies_.contains(study)) studies_.clear();
  Compiled& revisions = studies_[study];
  revisions.resize(std::max(revisions.size(), static_cast<std::size_t>(revision)));
  revisions[static_cast<std::size_t>(revision - 1)] = compiled;
  return compiled;
}

}  // namespace plumule::intake
