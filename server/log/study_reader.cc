#include "server/log/study_reader.h"

#include <algorithm>
#include <optional>

#include "absl/strings/escaping.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "server/log/log_reader.h"
#include "server/log/revisions.h"
#include "server/log/unreadable_state.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/store/keys.h"

namespace plumule::log {
namespace {

absl::Status NotFound(absl::string_view reason, const std::string& what) {
  return ReasonedError(absl::StatusCode::kNotFound, reason,
                       absl::StrCat("there is no ", what, ": check the name"));
}

// The message at `key`, empty if there is none.
template <typename T>
absl::StatusOr<T> ReadMessage(const store::Reader& reader, const std::string& key) {
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::string> bytes, reader.Get(key));
  T message;
  if (bytes && !message.ParseFromString(*bytes)) return UnreadableState(key);
  return message;
}

// Keys below `prefix`, one page of them. A page token is the web-safe Base64 of the first key of
// the page, less its prefix.
struct KeyPage {
  std::vector<std::pair<std::string, std::string>> rows;
  std::string next_page_token;
};

absl::StatusOr<KeyPage> ScanPage(const store::Reader& reader, const std::string& prefix,
                                 int page_size, absl::string_view token) {
  store::KeyRange range =
      store::PrefixRange(prefix, static_cast<std::size_t>(std::clamp(page_size, 1, 1000)) + 1);
  std::string rest;
  if (!absl::WebSafeBase64Unescape(token, &rest)) {
    return ReasonedError(absl::StatusCode::kInvalidArgument, "page_token_not_valid",
                         "the page token is none of this list: start without one");
  }
  range.start = prefix + rest;
  KeyPage page;
  PLUMULE_RETURN_IF_ERROR(reader.Scan(range, [&](absl::string_view key, absl::string_view value) {
    page.rows.emplace_back(key, value);
    return true;
  }));
  if (page.rows.size() == range.limit) {
    page.next_page_token = absl::WebSafeBase64Escape(page.rows.back().first.substr(prefix.size()));
    page.rows.pop_back();
  }
  return page;
}

absl::StatusOr<StudyCreation> ReadCreation(const store::Reader& reader,
                                           const store::StudyName& study) {
  const std::string key = store::StudyKey(study);
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::string> bytes, reader.Get(key));
  if (!bytes) return NotFound("study_not_found", study.Format());
  StudyCreation creation;
  if (!creation.ParseFromString(*bytes)) return UnreadableState(key);
  return creation;
}

}  // namespace

absl::StatusOr<study::v1::Study> ReadStudy(const store::Reader& reader,
                                           const store::StudyName& study) {
  PLUMULE_ASSIGN_OR_RETURN(const StudyCreation creation, ReadCreation(reader, study));
  PLUMULE_ASSIGN_OR_RETURN(const StudyState state, ReadStudyState(reader, study));
  PLUMULE_ASSIGN_OR_RETURN(const Head head, ReadHead(reader, study));
  study::v1::Study read;
  read.set_name(study.Format());
  read.set_title(state.title());
  read.set_state(state.phase());
  read.set_revision(state.revision_sequences_size());
  read.set_log_head(head.sequence);
  if (head.sequence > 0) read.set_log_head_hash(HashBytes(head.hash));
  *read.mutable_create_time() = creation.create_time();
  return read;
}

absl::StatusOr<StudyState> ReadStudyState(const store::Reader& reader,
                                          const store::StudyName& study) {
  PLUMULE_ASSIGN_OR_RETURN(StudyState state,
                           ReadMessage<StudyState>(reader, store::StudyStateKey(study)));
  if (state.phase() == study::v1::STUDY_STATE_UNSPECIFIED) {
    PLUMULE_RETURN_IF_ERROR(ReadCreation(reader, study).status());
    state.set_phase(study::v1::STUDY_STATE_DRAFT);
  }
  return state;
}

absl::StatusOr<Page<study::v1::Study>> ListStudies(const store::Reader& reader,
                                                   const std::string& community, int page_size,
                                                   absl::string_view page_token) {
  PLUMULE_ASSIGN_OR_RETURN(
      KeyPage keys, ScanPage(reader, store::StudiesPrefix(community), page_size, page_token));
  Page<study::v1::Study> page{{}, std::move(keys.next_page_token)};
  for (const auto& [key, value] : keys.rows) {
    PLUMULE_ASSIGN_OR_RETURN(
        study::v1::Study study,
        ReadStudy(reader, {community, std::string(store::TextPartOf(key, 1))}));
    page.items.push_back(std::move(study));
  }
  return page;
}

absl::StatusOr<PublishedProtocol> ReadProtocol(const store::Reader& reader,
                                               const store::StudyName& study, int revision) {
  PLUMULE_ASSIGN_OR_RETURN(const StudyState state, ReadStudyState(reader, study));
  if (revision == 0) revision = state.revision_sequences_size();
  if (revision < 1 || revision > state.revision_sequences_size()) {
    return RevisionNotFound(study, revision);
  }
  PLUMULE_ASSIGN_OR_RETURN(intake::v1::LogEntry entry,
                           ReadEntry(reader, study, state.revision_sequences(revision - 1)));
  return PublishedProtocol{
      std::move(*entry.mutable_record()->mutable_published()->mutable_protocol()), revision};
}

absl::StatusOr<std::shared_ptr<const protocol::CompiledProtocol>> ReadCompiled(
    const store::Reader& reader, const store::StudyName& study, int revision) {
  PLUMULE_ASSIGN_OR_RETURN(PublishedProtocol published, ReadProtocol(reader, study, revision));
  return protocol::Compile(std::move(published.protocol), published.revision);
}

absl::StatusOr<study::v1::Freeze> ReadFreeze(const store::Reader& reader,
                                             const store::StudyName& study, std::int64_t number) {
  PLUMULE_ASSIGN_OR_RETURN(study::v1::Freeze freeze,
                           ReadMessage<study::v1::Freeze>(reader, store::FreezeKey(study, number)));
  if (freeze.name().empty()) {
    return NotFound("freeze_not_found", absl::StrCat(study.Format(), "/freezes/", number));
  }
  return freeze;
}

absl::StatusOr<Page<study::v1::Freeze>> ListFreezes(const store::Reader& reader,
                                                    const store::StudyName& study, int page_size,
                                                    absl::string_view page_token) {
  PLUMULE_ASSIGN_OR_RETURN(const StudyState state, ReadStudyState(reader, study));
  std::int64_t number = state.freezes();
  if (!page_token.empty() &&
      (!absl::SimpleAtoi(page_token, &number) || number < 1 || number > state.freezes())) {
    return ReasonedError(absl::StatusCode::kInvalidArgument, "page_token_not_valid",
                         "the page token is none of this list: start without one");
  }
  Page<study::v1::Freeze> page;
  for (int i = std::clamp(page_size, 1, 1000); number >= 1 && i > 0; --number, --i) {
    PLUMULE_ASSIGN_OR_RETURN(study::v1::Freeze freeze, ReadFreeze(reader, study, number));
    page.items.push_back(std::move(freeze));
  }
  if (number >= 1) page.next_page_token = absl::StrCat(number);
  return page;
}

absl::StatusOr<intake::v1::Progress> ReadProgress(const store::Reader& reader,
                                                  const store::StudyName& study) {
  PLUMULE_ASSIGN_OR_RETURN(const StudyState state, ReadStudyState(reader, study));
  PLUMULE_ASSIGN_OR_RETURN(const Head head, ReadHead(reader, study));
  PLUMULE_ASSIGN_OR_RETURN(const RefusedCount refused,
                           ReadMessage<RefusedCount>(reader, store::RefusedCountKey(study)));
  intake::v1::Progress progress;
  progress.set_growers(state.growers());
  progress.set_withdrawn(state.withdrawn());
  progress.set_blocks(state.blocks());
  progress.set_units(state.units());
  for (const intake::v1::Tally& arm : state.arms()) {
    intake::v1::ArmProgress* counted = progress.add_arms();
    counted->set_arm(arm.id());
    counted->set_units(arm.count());
  }
  progress.set_observations(state.observations());
  *progress.mutable_reached() = state.reached();
  *progress.mutable_lost() = state.lost();
  progress.set_under_way(state.units() - state.ended());
  *progress.mutable_deviations() = state.deviations();
  progress.set_taken(state.taken());
  progress.set_with_deviations(state.with_deviations());
  progress.set_refused(refused.kept());
  progress.set_pending(state.pending());
  progress.set_log_sequence(head.sequence);
  return progress;
}

absl::StatusOr<Page<intake::v1::RefusedRecord>> ListRefused(const store::Reader& reader,
                                                            const store::StudyName& study,
                                                            int page_size,
                                                            absl::string_view page_token) {
  PLUMULE_ASSIGN_OR_RETURN(
      KeyPage keys, ScanPage(reader, store::RefusedArrivalsPrefix(study), page_size, page_token));
  Page<intake::v1::RefusedRecord> page{{}, std::move(keys.next_page_token)};
  for (const auto& [key, record_id] : keys.rows) {
    PLUMULE_ASSIGN_OR_RETURN(
        RefusedState refused,
        ReadMessage<RefusedState>(reader, store::RefusedKey(study, record_id)));
    page.items.push_back(std::move(*refused.mutable_refused()));
  }
  return page;
}

absl::StatusOr<Page<intake::v1::PendingRecord>> ListPending(const store::Reader& reader,
                                                            const store::StudyName& study,
                                                            int page_size,
                                                            absl::string_view page_token) {
  PLUMULE_ASSIGN_OR_RETURN(KeyPage keys,
                           ScanPage(reader, store::PendingPrefix(study), page_size, page_token));
  Page<intake::v1::PendingRecord> page{{}, std::move(keys.next_page_token)};
  for (const auto& [key, value] : keys.rows) {
    PLUMULE_ASSIGN_OR_RETURN(intake::v1::LogEntry entry,
                             ReadEntry(reader, study, store::SequenceOf(key)));
    intake::v1::PendingRecord pending;
    *pending.mutable_record() = std::move(*entry.mutable_record());
    *pending.mutable_waits_for() = entry.judgement().waits_for();
    pending.set_log_sequence(entry.sequence());
    page.items.push_back(std::move(pending));
  }
  return page;
}

}  // namespace plumule::log
