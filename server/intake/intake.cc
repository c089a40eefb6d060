#include "server/intake/intake.h"

#include <utility>

#include "absl/strings/str_cat.h"
#include "server/intake/committer.h"
#include "server/intake/prepared.h"
#include "server/intake/protocol_cache.h"
#include "server/intake/session.h"
#include "server/log/state_space.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"

namespace plumule::intake {
namespace {

absl::StatusOr<std::vector<Prepared>> PrepareAll(ProtocolCache& protocols,
                                                 const store::StudyName& study,
                                                 std::vector<v1::Record> records,
                                                 const Arrival& arrival) {
  if (records.empty() || records.size() > kMostRecords) {
    return ReasonedError(absl::StatusCode::kInvalidArgument, "batch_size",
                         absl::StrCat("there are ", records.size(), " records: send 1 to ",
                                      kMostRecords, " at once"));
  }
  std::vector<Prepared> prepared;
  prepared.reserve(records.size());
  for (v1::Record& record : records) {
    PLUMULE_ASSIGN_OR_RETURN(auto protocol, protocols.Get(study, record.protocol_revision()));
    prepared.push_back(
        Prepare(std::move(record), std::move(protocol), arrival.actor, arrival.received));
  }
  return prepared;
}

Answers TakeEach(Session& session, const std::vector<Prepared>& records, const Arrival& arrival,
                 store::WriteBatch* batch) {
  std::vector<Answer> answers;
  answers.reserve(records.size());
  for (const Prepared& prepared : records) {
    PLUMULE_ASSIGN_OR_RETURN(Answer answer, session.Take(prepared, arrival, batch));
    answers.push_back(std::move(answer));
  }
  return answers;
}

}  // namespace

Intake::Intake(store::Store& store, Clock clock, IntakeOptions options)
    : committer_(std::make_unique<Committer>(store, std::move(clock), options)) {}

Intake::~Intake() = default;

void Intake::Submit(const store::StudyName& study, std::vector<v1::Record> records, Actor actor,
                    std::function<void(Answers)> done) {
  const auto arrival =
      std::make_shared<const Arrival>(Arrival{committer_->Now(), std::move(actor)});
  auto prepared = PrepareAll(committer_->protocols(), study, std::move(records), *arrival);
  if (!prepared.ok()) return done(prepared.status());
  Submission submission;
  submission.study = study;
  submission.records = prepared->size();
  for (const Prepared& each : *prepared) submission.bytes += each.bytes.size();
  submission.take = [arrival,
                     held = std::make_shared<const std::vector<Prepared>>(*std::move(prepared))](
                        Session& session, store::WriteBatch* batch) {
    return TakeEach(session, *held, *arrival, batch);
  };
  submission.done = std::move(done);
  committer_->Queue(std::move(submission));
}

Answers Intake::Try(const store::StudyName& study, std::vector<v1::Record> records,
                    const Actor& actor) {
  const Arrival arrival{committer_->Now(), actor};
  PLUMULE_ASSIGN_OR_RETURN(const std::vector<Prepared> prepared,
                           PrepareAll(committer_->protocols(), study, std::move(records), arrival));
  const std::unique_ptr<store::Snapshot> snapshot = committer_->store().TakeSnapshot();
  log::StateSpace space(*snapshot, *snapshot, committer_->options().state_cache_bytes);
  PLUMULE_ASSIGN_OR_RETURN(const std::unique_ptr<Session> session,
                           Session::Open(*snapshot, space, study, committer_->options()));
  store::WriteBatch never_written;
  Answers answers = TakeEach(*session, prepared, arrival, &never_written);
  if (answers.ok()) {
    for (Answer& answer : *answers) answer.receipt.set_log_sequence(0);
  }
  return answers;
}

void Intake::SubmitOwn(const store::StudyName& study, v1::Record record, Actor actor,
                       std::optional<std::int64_t> expected_head,
                       std::function<void(absl::StatusOr<Answer>)> done) {
  const auto arrival =
      std::make_shared<const Arrival>(Arrival{committer_->Now(), std::move(actor)});
  Submission submission;
  submission.study = study;
  submission.bytes = record.ByteSizeLong();
  submission.take = [arrival, expected_head,
                     held = std::make_shared<const v1::Record>(std::move(record))](
                        Session& session, store::WriteBatch* batch) -> Answers {
    PLUMULE_ASSIGN_OR_RETURN(Answer answer, session.TakeOwn(*held, *arrival, expected_head, batch));
    return std::vector<Answer>{std::move(answer)};
  };
  submission.done = [done = std::move(done)](Answers answers) {
    if (!answers.ok()) return done(answers.status());
    if (!answers->front().error.ok()) return done(answers->front().error);
    done(std::move(answers->front()));
  };
  committer_->Queue(std::move(submission));
}

std::unique_ptr<LogFollower> Intake::Follow(const store::StudyName& study,
                                            std::function<void(std::int64_t)> on_head) {
  return committer_->Follow(study, std::move(on_head));
}

void Intake::Shutdown() { committer_->Shutdown(); }

bool Intake::stopped() const { return committer_->stopped(); }

}  // namespace plumule::intake
