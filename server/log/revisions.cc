#include "server/log/revisions.h"

#include "absl/strings/str_cat.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"

namespace plumule::log {

absl::Status RevisionNotFound(const store::StudyName& study, int revision) {
  return ReasonedError(absl::StatusCode::kNotFound, "revision_not_found",
                       absl::StrCat(study.Format(), " has no revision ", revision,
                                    " of its protocol: ask for the newest"));
}

absl::StatusOr<std::shared_ptr<const protocol::CompiledProtocol>> Revisions::Get(
    StateSpace& space, const store::StudyName& study, int revision) {
  const auto index = static_cast<std::size_t>(revision - 1);
  if (revision >= 1 && index < compiled_.size() && compiled_[index]) return compiled_[index];
  PLUMULE_ASSIGN_OR_RETURN(const auto state, space.Study(study));
  if (revision < 1 || revision > state->revision_sequences_size()) {
    return RevisionNotFound(study, revision);
  }
  PLUMULE_ASSIGN_OR_RETURN(const intake::v1::LogEntry entry,
                           space.Entry(study, state->revision_sequences(revision - 1)));
  PLUMULE_ASSIGN_OR_RETURN(auto compiled,
                           protocol::Compile(entry.record().published().protocol(), revision));
  if (compiled_.size() <= index) compiled_.resize(index + 1);
  compiled_[index] = compiled;
  return compiled;
}

}  // namespace plumule::log
