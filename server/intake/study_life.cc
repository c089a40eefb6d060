#include "server/intake/study_life.h"

#include <future>
#include <optional>
#include <utility>

#include "absl/strings/str_cat.h"
#include "server/intake/amendment.h"
#include "server/intake/calendar.h"
#include "server/intake/envelope.h"
#include "server/log/dataset.h"
#include "server/log/entry_bytes.h"
#include "server/log/log_reader.h"
#include "server/log/study_reader.h"
#include "server/log/unreadable_state.h"
#include "server/protocol/civil_date.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/store/keys.h"

namespace plumule::intake {
namespace {

// How often a freeze is tried again when something was logged while it was computed.
constexpr int kFreezeAttempts = 3;
constexpr std::size_t kMostReasonBytes = 8000;

absl::Status BadField(absl::string_view reason, absl::string_view field,
                      absl::string_view description) {
  return ReasonedError(absl::StatusCode::kInvalidArgument, reason,
                       absl::StrCat(field, ": ", description),
                       {{std::string(field), std::string(reason), std::string(description)}});
}

absl::Status CheckRequest(const std::string& request_id, const std::string& reason) {
  if (!IsUuid(request_id)) {
    return BadField("request_id_not_valid", "request_id",
                    "it must be a UUID in lower case, made for this request and kept");
  }
  if (reason.size() > kMostReasonBytes) {
    return BadField("text_too_long", "reason", "shorten it to 2000 characters");
  }
  return absl::OkStatus();
}

// What is in the log under a request's id; an empty record for nothing.
absl::StatusOr<v1::Record> RecordOf(const store::Reader& reader, const store::StudyName& name,
                                    const std::string& request_id) {
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::string> bytes,
                           reader.Get(store::RecordIndexKey(name, request_id)));
  if (!bytes) return v1::Record();
  log::RecordIndex index;
  if (!index.ParseFromString(*bytes)) return log::UnreadableState("i");
  PLUMULE_ASSIGN_OR_RETURN(v1::LogEntry entry, log::ReadEntry(reader, name, index.sequence()));
  return std::move(*entry.mutable_record());
}

// Number of the freeze that a request made earlier.
absl::StatusOr<std::optional<std::int64_t>> FreezeMadeBy(const store::Reader& reader,
                                                         const store::StudyName& name,
                                                         const std::string& request_id) {
  PLUMULE_ASSIGN_OR_RETURN(const v1::Record record, RecordOf(reader, name, request_id));
  if (!record.has_frozen()) return std::nullopt;
  return record.frozen().number();
}

}  // namespace

StudyLife::StudyLife(store::Store& store, Intake& intake, Intake::Clock clock)
    : store_(store), intake_(intake), clock_(std::move(clock)) {}

absl::StatusOr<Answer> StudyLife::Write(const store::StudyName& name, v1::Record record,
                                        const Actor& actor,
                                        std::optional<std::int64_t> expected_head) {
  record.set_happened_on(protocol::FormatDate(absl::ToCivilDay(clock_(), absl::UTCTimeZone())));
  std::promise<absl::StatusOr<Answer>> answer;
  intake_.SubmitOwn(name, std::move(record), actor, expected_head,
                    [&](absl::StatusOr<Answer> given) { answer.set_value(std::move(given)); });
  return answer.get_future().get();
}

absl::StatusOr<study::v1::Study> StudyLife::Create(const store::StudyName& name,
                                                   const Actor& actor) {
  PLUMULE_RETURN_IF_ERROR(store::ParseStudyName(name.Format()).status());
  log::StudyCreation creation;
  *creation.mutable_create_time() = log::ToTimestamp(clock_());
  creation.set_key_id(actor.key_id);
  const std::string key = store::StudyKey(name);
  store::WriteBatch batch;
  batch.Put(key, creation.SerializeAsString());
  const absl::Status written = store_.Commit(batch, {{key, std::nullopt}});
  if (ReasonOf(written) == "precondition_failed") {
    return ReasonedError(absl::StatusCode::kAlreadyExists, "study_exists",
                         absl::StrCat("there is a study ", name.Format(), ": choose another id"));
  }
  PLUMULE_RETURN_IF_ERROR(written);
  return log::ReadStudy(store_, name);
}

absl::StatusOr<study::v1::Study> StudyLife::Publish(const store::StudyName& name,
                                                    const study::v1::Protocol& definition,
                                                    const std::string& request_id,
                                                    const std::string& reason, const Actor& actor) {
  PLUMULE_RETURN_IF_ERROR(CheckRequest(request_id, reason));
  PLUMULE_ASSIGN_OR_RETURN(const log::StudyState state, log::ReadStudyState(store_, name));
  const int revision = state.revision_sequences_size() + 1;
  PLUMULE_RETURN_IF_ERROR(protocol::Compile(definition, revision).status());
  v1::Record record;
  record.set_record_id(request_id);
  v1::Published* published = record.mutable_published();
  published->set_revision(revision);
  *published->mutable_protocol() = definition;
  published->set_reason(reason);
  PLUMULE_ASSIGN_OR_RETURN(const v1::Record earlier, RecordOf(store_, name, request_id));
  if (revision > 1 && earlier.record_id().empty()) {
    if (reason.empty()) {
      return BadField("reason_missing", "reason", "say what the amendment changes and why");
    }
    PLUMULE_ASSIGN_OR_RETURN(const log::PublishedProtocol before,
                             log::ReadProtocol(store_, name, 0));
    std::vector<FieldViolation> changes = IncompatibleChanges(before.protocol, definition);
    if (!changes.empty()) {
      return ReasonedError(absl::StatusCode::kInvalidArgument, "amendment_incompatible",
                           "the amendment changes what earlier records mean", std::move(changes));
    }
  }
  PLUMULE_RETURN_IF_ERROR(Write(name, std::move(record), actor).status());
  return log::ReadStudy(store_, name);
}

absl::StatusOr<study::v1::Study> StudyLife::Close(const store::StudyName& name,
                                                  const std::string& request_id,
                                                  const std::string& reason, const Actor& actor) {
  PLUMULE_RETURN_IF_ERROR(CheckRequest(request_id, reason));
  v1::Record record;
  record.set_record_id(request_id);
  record.mutable_closed()->set_reason(reason);
  PLUMULE_RETURN_IF_ERROR(Write(name, std::move(record), actor).status());
  return log::ReadStudy(store_, name);
}

absl::StatusOr<study::v1::Freeze> StudyLife::Freeze(const store::StudyName& name,
                                                    const std::string& request_id,
                                                    const Actor& actor) {
  PLUMULE_RETURN_IF_ERROR(CheckRequest(request_id, ""));
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::int64_t> made,
                           FreezeMadeBy(store_, name, request_id));
  if (made) return log::ReadFreeze(store_, name, *made);
  absl::Status moved;
  for (int attempt = 0; attempt < kFreezeAttempts; ++attempt) {
    PLUMULE_ASSIGN_OR_RETURN(const log::StudyState state, log::ReadStudyState(store_, name));
    PLUMULE_ASSIGN_OR_RETURN(const log::Head head, log::ReadHead(store_, name));
    if (state.freezes() > 0 && head.sequence == state.frozen_sequence()) {
      return log::ReadFreeze(store_, name, state.freezes());
    }
    PLUMULE_ASSIGN_OR_RETURN(const auto dataset, log::Dataset::Open(store_, name, 0));
    PLUMULE_ASSIGN_OR_RETURN(const log::DatasetDigest digest, log::DigestOf(*dataset));
    v1::Record record;
    record.set_record_id(request_id);
    v1::Frozen* frozen = record.mutable_frozen();
    frozen->set_number(static_cast<std::int32_t>(state.freezes() + 1));
    frozen->set_dataset_digest(log::ToHex(digest.digest));
    frozen->set_units(digest.units);
    frozen->set_blocks(digest.blocks);
    const absl::StatusOr<Answer> answer =
        Write(name, std::move(record), actor, dataset->log_sequence());
    if (ReasonOf(answer.status()) == "log_moved") {
      moved = answer.status();
      continue;
    }
    PLUMULE_RETURN_IF_ERROR(answer.status());
    PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::int64_t> number,
                             FreezeMadeBy(store_, name, request_id));
    return log::ReadFreeze(store_, name, number.value_or(0));
  }
  return moved;
}

absl::StatusOr<v1::Receipt> StudyLife::Exclude(const store::StudyName& name,
                                               const std::string& block, const std::string& unit,
                                               const std::string& reason,
                                               const std::string& request_id, const Actor& actor) {
  PLUMULE_RETURN_IF_ERROR(CheckRequest(request_id, reason));
  v1::Record record;
  record.set_record_id(request_id);
  record.set_block(block);
  record.set_unit(unit);
  record.mutable_excluded()->set_reason(reason);
  PLUMULE_ASSIGN_OR_RETURN(Answer answer, Write(name, std::move(record), actor));
  return std::move(answer.receipt);
}

}  // namespace plumule::intake
