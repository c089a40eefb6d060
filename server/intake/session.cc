#include "server/intake/session.h"

#include <utility>
#include <vector>

#include "absl/strings/str_cat.h"
#include "server/intake/calendar.h"
#include "server/intake/judge.h"
#include "server/intake/problems.h"
#include "server/log/content_digest.h"
#include "server/log/entry_bytes.h"
#include "server/log/log_reader.h"
#include "server/log/stored_log.h"
#include "server/log/study_reader.h"
#include "server/protocol/civil_date.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/store/keys.h"

namespace plumule::intake {
namespace {

using log::Effect;
using log::FactKind;
using v1::Judgement;
using v1::Record;

absl::Status NotOpen(const store::StudyName& study, bool closed) {
  if (closed) {
    return ReasonedError(absl::StatusCode::kFailedPrecondition, "study_closed",
                         absl::StrCat(study.Format(), " is closed and can't be changed"));
  }
  return ReasonedError(absl::StatusCode::kFailedPrecondition, "study_not_open",
                       absl::StrCat(study.Format(), " has no published protocol: publish one"));
}

Answer MakeAnswer(const std::string& record_id, Judgement judgement, std::int64_t sequence) {
  Answer answer;
  answer.receipt.set_record_id(record_id);
  *answer.receipt.mutable_judgement() = std::move(judgement);
  answer.receipt.set_log_sequence(sequence);
  return answer;
}

Answer Reused(const std::string& record_id, const std::string& stored, const log::Hash& sent) {
  const std::string message =
      absl::StrCat("record id ", record_id, " was used before, for other content");
  const std::string remedy = "give each record an id of its own; to change a record, correct it";
  Judgement judgement;
  judgement.set_outcome(v1::OUTCOME_REFUSED);
  AddProblem("record_id", "record_id_reused", message, remedy, &judgement);
  Answer answer = MakeAnswer(record_id, std::move(judgement), 0);
  answer.error =
      WithMetadata(WithMetadata(ReasonedError(absl::StatusCode::kAlreadyExists, "record_id_reused",
                                              absl::StrCat(message, ": ", remedy)),
                                "stored_digest", log::ToHex(log::HashFromBytes(stored))),
                   "sent_digest", log::ToHex(sent));
  return answer;
}

void SetOutcome(Judgement* judgement) {
  if (!judgement->problems().empty()) {
    judgement->set_outcome(v1::OUTCOME_REFUSED);
    // What would have followed is of no interest then.
    judgement->clear_deviations();
    judgement->clear_notes();
  } else {
    judgement->set_outcome(judgement->deviations().empty() ? v1::OUTCOME_TAKEN
                                                           : v1::OUTCOME_DEVIATION);
  }
}

std::string InWords(const std::string& prerequisite) {
  const std::size_t slash = prerequisite.find('/');
  const std::string what = prerequisite.substr(0, slash);
  const std::string id = prerequisite.substr(slash + 1);
  if (what == "grower") return absl::StrCat("grower ", id, " has not joined yet");
  if (what == "block") return absl::StrCat("block ", id, " is not started yet");
  if (what == "unit") {
    const std::size_t middle = id.find('/');
    return absl::StrCat("unit ", id.substr(middle + 1), " of block ", id.substr(0, middle),
                        " is not started yet");
  }
  return absl::StrCat("record ", id, " has not come yet, or waits itself");
}

// What the settled or taken record itself makes possible for others.
void AddArrived(const Record& record, const Effect& effect, std::deque<std::string>* arrived) {
  const log::PlacedFact& placed = effect.placed;
  if (!effect.withdraws && placed.kind == FactKind::kJoined) {
    arrived->push_back(absl::StrCat("grower/", placed.grower));
  } else if (!effect.withdraws && placed.kind == FactKind::kBlockStarted) {
    arrived->push_back(absl::StrCat("block/", placed.block));
  } else if (!effect.withdraws && placed.kind == FactKind::kUnitStarted) {
    arrived->push_back(absl::StrCat("unit/", placed.block, "/", placed.unit));
  }
  arrived->push_back(absl::StrCat("record/", record.record_id()));
}

}  // namespace

Session::Session(log::StateSpace& space, store::StudyName study, const IntakeOptions& options)
    : space_(space),
      study_(std::move(study)),
      options_(options),
      fold_(space_, study_,
            [this](int revision) { return revisions_.Get(space_, study_, revision); }) {}

absl::StatusOr<std::unique_ptr<Session>> Session::Open(const store::Reader& reader,
                                                       log::StateSpace& space,
                                                       const store::StudyName& study,
                                                       const IntakeOptions& options) {
  PLUMULE_RETURN_IF_ERROR(log::ReadStudyState(reader, study).status());
  PLUMULE_ASSIGN_OR_RETURN(const log::Head head, log::CheckHead(reader, study));
  std::unique_ptr<Session> session(new Session(space, study, options));
  session->head_ = head;
  return session;
}

absl::StatusOr<v1::Judgement> Session::JudgementOf(const log::RecordIndex& index) {
  const bool settled = index.settlement_sequence() != 0;
  PLUMULE_ASSIGN_OR_RETURN(
      const v1::LogEntry entry,
      space_.Entry(study_, settled ? index.settlement_sequence() : index.sequence()));
  return settled ? entry.settlement().judgement() : entry.judgement();
}

absl::StatusOr<std::optional<Answer>> Session::Repeated(const std::string& record_id,
                                                        const log::Hash& digest) {
  PLUMULE_ASSIGN_OR_RETURN(const auto index, space_.Index(study_, record_id));
  // The id of a record that was refused in the end may carry the mended one.
  if (index->sequence() == 0 || index->standing() == log::STANDING_REFUSED) return std::nullopt;
  if (index->digest() != log::HashBytes(digest)) {
    return Reused(record_id, index->digest(), digest);
  }
  PLUMULE_ASSIGN_OR_RETURN(Judgement judgement, JudgementOf(*index));
  Answer answer = MakeAnswer(record_id, std::move(judgement), index->sequence());
  answer.receipt.set_repeated(true);
  return answer;
}

void Session::AppendBytes(std::string entry, store::WriteBatch* batch) {
  head_ = {head_.sequence + 1, log::ChainHash(head_.hash, entry)};
  batch->Put(store::LogEntryKey(study_, head_.sequence), log::EncodeStoredEntry(head_.hash, entry));
  space_.AddEntry(study_, head_.sequence, std::move(entry));
}

void Session::Append(const Prepared& prepared, const Arrival& arrival, const Judgement& judgement,
                     store::WriteBatch* batch) {
  AppendBytes(log::EncodeRecordEntry(head_.sequence + 1, log::ToTimestamp(arrival.received),
                                     arrival.actor.key_id, prepared.bytes, judgement),
              batch);
}

absl::StatusOr<Answer> Session::Take(const Prepared& prepared, const Arrival& arrival,
                                     store::WriteBatch* batch) {
  const Record& record = prepared.record;
  if (prepared.may_be_kept) {
    PLUMULE_ASSIGN_OR_RETURN(std::optional<Answer> repeated,
                             Repeated(record.record_id(), prepared.digest));
    if (repeated) return *std::move(repeated);
  }
  Judgement judgement = prepared.judgement;
  PLUMULE_ASSIGN_OR_RETURN(const auto study, space_.Study(study_));
  if (study->phase() == study::v1::STUDY_STATE_CLOSED) {
    AddProblem("", "study_closed", "the study is closed",
               "nothing more is taken; ask the study's organizer", &judgement);
  }
  if (!judgement.problems().empty()) return Refuse(prepared, arrival, std::move(judgement));

  Effect effect = prepared.effect;
  PLUMULE_ASSIGN_OR_RETURN(const std::string missing, fold_.MissingPrerequisite(effect));
  if (!missing.empty()) {
    return Wait(prepared, arrival, missing, std::move(judgement), batch);
  }
  PLUMULE_RETURN_IF_ERROR(
      JudgeAgainstState(record, *prepared.protocol, study_, space_, fold_, &effect, &judgement));
  if (!judgement.problems().empty()) return Refuse(prepared, arrival, std::move(judgement));
  log::KeepOwnDeviations(*prepared.protocol, judgement, &effect.placed.fact);
  return TakeJudged(prepared, arrival, effect, std::move(judgement), batch);
}

absl::StatusOr<Answer> Session::TakeJudged(const Prepared& prepared, const Arrival& arrival,
                                           const Effect& effect, Judgement judgement,
                                           store::WriteBatch* batch) {
  const Record& record = prepared.record;
  SetOutcome(&judgement);
  Append(prepared, arrival, judgement, batch);
  const std::int64_t sequence = head_.sequence;
  PLUMULE_RETURN_IF_ERROR(fold_.Take(record, prepared.digest, sequence, judgement, effect));
  PLUMULE_RETURN_IF_ERROR(ForgetRefusal(record.record_id()));
  std::deque<std::string> arrived;
  AddArrived(record, effect, &arrived);
  PLUMULE_RETURN_IF_ERROR(SettleWaiting(std::move(arrived), arrival, batch));
  return MakeAnswer(record.record_id(), std::move(judgement), sequence);
}

absl::StatusOr<Answer> Session::Wait(const Prepared& prepared, const Arrival& arrival,
                                     const std::string& missing, Judgement judgement,
                                     store::WriteBatch* batch) {
  PLUMULE_ASSIGN_OR_RETURN(const auto study, space_.Study(study_));
  PLUMULE_ASSIGN_OR_RETURN(const auto waiting, space_.Waiting(study_, missing));
  if (study->pending() >= options_.pending_of_study ||
      waiting->sequences_size() >= options_.pending_of_prerequisite) {
    AddProblem("", "too_many_pending",
               absl::StrCat(InWords(missing), ", and too many records wait already"),
               "send what is missing first, then this again", &judgement);
    return Refuse(prepared, arrival, std::move(judgement));
  }
  judgement.set_outcome(v1::OUTCOME_PENDING);
  judgement.add_waits_for(InWords(missing));
  Append(prepared, arrival, judgement, batch);
  PLUMULE_RETURN_IF_ERROR(fold_.Wait(prepared.record, prepared.digest, head_.sequence, missing));
  PLUMULE_RETURN_IF_ERROR(ForgetRefusal(prepared.record.record_id()));
  return MakeAnswer(prepared.record.record_id(), std::move(judgement), head_.sequence);
}

absl::StatusOr<Answer> Session::Refuse(const Prepared& prepared, const Arrival& arrival,
                                       Judgement judgement) {
  SetOutcome(&judgement);
  if (prepared.may_be_kept) {
    PLUMULE_RETURN_IF_ERROR(KeepAside(prepared.record, judgement, arrival.received));
  }
  return MakeAnswer(prepared.record.record_id(), std::move(judgement), 0);
}

absl::Status Session::KeepAside(const Record& record, const Judgement& judgement,
                                absl::Time received) {
  PLUMULE_ASSIGN_OR_RETURN(auto count, space_.Refusals(study_));
  PLUMULE_ASSIGN_OR_RETURN(auto refused, space_.Refused(study_, record.record_id()));
  const bool known = refused->arrival() != 0;
  if (!known && count->kept() >= options_.refused_of_study) return absl::OkStatus();
  if (known) {
    space_.ClearRefusedArrival(study_, refused->arrival());
  } else {
    count.Change()->set_kept(count->kept() + 1);
  }
  const std::int64_t arrival = count->next_arrival() + 1;
  count.Change()->set_next_arrival(arrival);
  log::RefusedState* kept = refused.Change();
  kept->set_arrival(arrival);
  *kept->mutable_refused()->mutable_record() = record;
  *kept->mutable_refused()->mutable_judgement() = judgement;
  *kept->mutable_refused()->mutable_receive_time() = log::ToTimestamp(received);
  space_.SetRefusedArrival(study_, arrival, record.record_id());
  return absl::OkStatus();
}

absl::Status Session::ForgetRefusal(const std::string& record_id) {
  PLUMULE_ASSIGN_OR_RETURN(auto count, space_.Refusals(study_));
  if (count->kept() == 0) return absl::OkStatus();
  PLUMULE_ASSIGN_OR_RETURN(auto refused, space_.Refused(study_, record_id));
  if (refused->arrival() == 0) return absl::OkStatus();
  space_.ClearRefusedArrival(study_, refused->arrival());
  refused.Change()->Clear();
  count.Change()->set_kept(count->kept() - 1);
  return absl::OkStatus();
}

absl::Status Session::SettleWaiting(std::deque<std::string> arrived, const Arrival& arrival,
                                    store::WriteBatch* batch) {
  for (; !arrived.empty(); arrived.pop_front()) {
    PLUMULE_ASSIGN_OR_RETURN(const auto study, space_.Study(study_));
    if (study->pending() == 0) return absl::OkStatus();
    PLUMULE_ASSIGN_OR_RETURN(const auto waiting, space_.Waiting(study_, arrived.front()));
    const std::vector<std::int64_t> sequences(waiting->sequences().begin(),
                                              waiting->sequences().end());
    for (const std::int64_t sequence : sequences) {
      PLUMULE_RETURN_IF_ERROR(SettleOne(sequence, arrival, batch, &arrived));
    }
  }
  return absl::OkStatus();
}

absl::Status Session::SettleOne(std::int64_t sequence, const Arrival& arrival,
                                store::WriteBatch* batch, std::deque<std::string>* arrived) {
  PLUMULE_ASSIGN_OR_RETURN(const v1::LogEntry waited, space_.Entry(study_, sequence));
  const Record& record = waited.record();
  PLUMULE_ASSIGN_OR_RETURN(const auto protocol,
                           revisions_.Get(space_, study_, record.protocol_revision()));
  protocol::Reading reading;
  log::ReadAnswers(record, *protocol, &reading);
  Effect effect = log::EffectOf(record, *protocol, reading);
  Judgement judgement = waited.judgement();
  judgement.clear_waits_for();
  PLUMULE_RETURN_IF_ERROR(
      JudgeAgainstState(record, *protocol, study_, space_, fold_, &effect, &judgement));
  SetOutcome(&judgement);
  log::KeepOwnDeviations(*protocol, judgement, &effect.placed.fact);

  v1::LogEntry entry;
  entry.set_sequence(head_.sequence + 1);
  *entry.mutable_receive_time() = log::ToTimestamp(arrival.received);
  entry.set_key_id(arrival.actor.key_id);
  v1::Settlement* settlement = entry.mutable_settlement();
  settlement->set_record_id(record.record_id());
  settlement->set_record_sequence(sequence);
  *settlement->mutable_judgement() = judgement;
  AppendBytes(log::SerializeDeterministically(entry), batch);

  if (judgement.outcome() == v1::OUTCOME_REFUSED) {
    PLUMULE_RETURN_IF_ERROR(fold_.Settle(*settlement, head_.sequence, nullptr));
    // What waits for the refused record is refused with it.
    arrived->push_back(absl::StrCat("record/", record.record_id()));
    return KeepAside(record, judgement, log::FromTimestamp(waited.receive_time()));
  }
  PLUMULE_RETURN_IF_ERROR(fold_.Settle(*settlement, head_.sequence, &effect));
  AddArrived(record, effect, arrived);
  return absl::OkStatus();
}

absl::StatusOr<absl::Status> Session::CheckOwn(const Record& record, const Arrival& arrival) {
  PLUMULE_ASSIGN_OR_RETURN(const auto study, space_.Study(study_));
  const bool closed = study->phase() == study::v1::STUDY_STATE_CLOSED;
  const bool open = study->phase() == study::v1::STUDY_STATE_OPEN;
  if (record.has_published()) {
    if (closed) return NotOpen(study_, true);
    if (record.published().revision() != study->revision_sequences_size() + 1) {
      return ReasonedError(absl::StatusCode::kAborted, "revision_taken",
                           "someone else published a revision meanwhile: look at it, then publish "
                           "again");
    }
    return absl::OkStatus();
  }
  if (record.has_closed()) {
    if (!open) {
      return ReasonedError(absl::StatusCode::kFailedPrecondition, "study_not_open",
                           absl::StrCat(study_.Format(), " is not open, so it can't be closed"));
    }
    PLUMULE_ASSIGN_OR_RETURN(const auto protocol,
                             revisions_.Get(space_, study_, study->revision_sequences_size()));
    const absl::CivilDay today = TodayIn(*protocol, arrival.received);
    if (today <= protocol->closes_on() && record.closed().reason().empty()) {
      return ReasonedError(
          absl::StatusCode::kFailedPrecondition, "closes_early",
          absl::StrCat("the study closes on ", protocol::SpellDate(protocol->closes_on()),
                       ", today is ", protocol::SpellDate(today),
                       ": give a reason to close it before that day has ended"));
    }
    return absl::OkStatus();
  }
  if (record.has_frozen() && !closed) {
    return ReasonedError(absl::StatusCode::kFailedPrecondition, "study_not_closed",
                         absl::StrCat(study_.Format(), " is not closed: close it first"));
  }
  if (!open && !closed) return NotOpen(study_, false);
  return absl::OkStatus();
}

absl::Status Session::CheckExclusion(const Record& record, Judgement* judgement) {
  if (record.excluded().reason().empty()) {
    AddProblem("excluded.reason", "reason_missing", "there is no reason",
               "say why, it is quoted in the flow of units", judgement);
  }
  PLUMULE_ASSIGN_OR_RETURN(const auto block, space_.Block(study_, record.block()));
  if (!block->has_started()) {
    AddProblem("block", "block_not_found", "there is no such block", "check its id", judgement);
    return absl::OkStatus();
  }
  if (record.unit().empty()) return absl::OkStatus();
  PLUMULE_ASSIGN_OR_RETURN(const auto unit, space_.Unit(study_, record.block(), record.unit()));
  if (!unit->has_started()) {
    AddProblem("unit", "unit_not_found", "the block has no such unit", "check its id", judgement);
  }
  return absl::OkStatus();
}

absl::StatusOr<Answer> Session::TakeOwn(const Record& record, const Arrival& arrival,
                                        std::optional<std::int64_t> expected_head,
                                        store::WriteBatch* batch) {
  const log::Hash digest = log::ContentDigest(record);
  PLUMULE_ASSIGN_OR_RETURN(std::optional<Answer> repeated, Repeated(record.record_id(), digest));
  if (repeated) return *std::move(repeated);

  Judgement judgement;
  Answer failed = MakeAnswer(record.record_id(), judgement, 0);
  if (expected_head && *expected_head != head_.sequence) {
    failed.error = ReasonedError(absl::StatusCode::kAborted, "log_moved",
                                 "something was logged meanwhile: try again");
    return failed;
  }
  PLUMULE_ASSIGN_OR_RETURN(failed.error, CheckOwn(record, arrival));
  if (!failed.error.ok()) return failed;
  if (record.has_excluded()) PLUMULE_RETURN_IF_ERROR(CheckExclusion(record, &judgement));
  SetOutcome(&judgement);
  if (judgement.outcome() == v1::OUTCOME_REFUSED) {
    return MakeAnswer(record.record_id(), std::move(judgement), 0);
  }

  v1::LogEntry entry;
  entry.set_sequence(head_.sequence + 1);
  *entry.mutable_receive_time() = log::ToTimestamp(arrival.received);
  entry.set_key_id(arrival.actor.key_id);
  *entry.mutable_record() = record;
  *entry.mutable_judgement() = judgement;
  const log::Hash previous = head_.hash;
  AppendBytes(log::SerializeDeterministically(entry), batch);
  PLUMULE_RETURN_IF_ERROR(fold_.TakeOwn(entry, digest, previous));
  return MakeAnswer(record.record_id(), std::move(judgement), head_.sequence);
}

}  // namespace plumule::intake
