#include "server/intake/prepared.h"

#include <utility>

#include "absl/strings/str_cat.h"
#include "server/intake/calendar.h"
#include "server/intake/envelope.h"
#include "server/intake/problems.h"
#include "server/log/content_digest.h"

namespace plumule::intake {
namespace {

void JudgeAnswers(Prepared* prepared) {
  protocol::Reading reading;
  log::ReadAnswers(prepared->record, *prepared->protocol, &reading);
  v1::Judgement& judgement = prepared->judgement;
  for (auto& problem : reading.problems) *judgement.add_problems() = std::move(problem);
  for (auto& deviation : reading.deviations) *judgement.add_deviations() = std::move(deviation);
  for (auto& note : reading.notes) *judgement.add_notes() = std::move(note);
  if (!judgement.problems().empty()) return;
  prepared->effect = log::EffectOf(prepared->record, *prepared->protocol, reading);
}

}  // namespace

Prepared Prepare(v1::Record record, std::shared_ptr<const protocol::CompiledProtocol> protocol,
                 const Actor& actor, absl::Time received) {
  Prepared prepared;
  prepared.record = std::move(record);
  prepared.bytes = log::SerializeDeterministically(prepared.record);
  prepared.digest = log::ContentDigest(prepared.bytes);
  prepared.protocol = std::move(protocol);
  prepared.may_be_kept = IsUuid(prepared.record.record_id());
  v1::Judgement* judgement = &prepared.judgement;
  if (prepared.bytes.size() > kMostRecordBytes) {
    prepared.may_be_kept = false;
    AddProblem("", "record_too_large", absl::StrCat("it has ", prepared.bytes.size(), " bytes"),
               absl::StrCat("send at most ", kMostRecordBytes), judgement);
    return prepared;
  }
  CheckEnvelope(prepared.record, judgement);
  if (log::IsServersOwn(prepared.record)) return prepared;
  if (!prepared.protocol) {
    AddProblem("protocol_revision", "revision_not_published",
               absl::StrCat("revision ", prepared.record.protocol_revision(),
                            " of the protocol is not published"),
               "name the revision under which the grower acted", judgement);
    return prepared;
  }
  CheckFact(prepared.record, *prepared.protocol, judgement);
  CheckCalendar(prepared.record, *prepared.protocol, actor.role, received, judgement);
  JudgeAnswers(&prepared);
  return prepared;
}

}  // namespace plumule::intake
