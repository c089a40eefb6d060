// One study as the committer works on it: takes records one by one, in order.
#pragma once

#include <cstdint>
#include <deque>
#include <memory>
#include <optional>
#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "plumule/intake/v1/record.pb.h"
#include "server/intake/intake.h"
#include "server/intake/prepared.h"
#include "server/log/chain.h"
#include "server/log/fold.h"
#include "server/log/revisions.h"
#include "server/log/state_space.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::intake {

// When, by whom.
struct Arrival {
  absl::Time received;
  Actor actor;
};

// One thread at a time. After an error other than an answer's own, the state space holds half a
// record: throw both away.
class Session {
 public:
  // Opens the study: its head must be sound, DATA_LOSS (`log_damaged`) else. NOT_FOUND
  // (`study_not_found`). `reader` and `space` must outlive it.
  static absl::StatusOr<std::unique_ptr<Session>> Open(const store::Reader& reader,
                                                       log::StateSpace& space,
                                                       const store::StudyName& study,
                                                       const IntakeOptions& options);

  // Judges a client's record and adds what follows to the log, the state and `batch`.
  absl::StatusOr<Answer> Take(const Prepared& prepared, const Arrival& arrival,
                              store::WriteBatch* batch);

  // The same for a record of the server's own; the errors that Intake::SubmitOwn names come as the
  // answer's `error`, and then nothing was added.
  absl::StatusOr<Answer> TakeOwn(const v1::Record& record, const Arrival& arrival,
                                 std::optional<std::int64_t> expected_head,
                                 store::WriteBatch* batch);

  const log::Head& head() const { return head_; }
  const store::StudyName& study() const { return study_; }

 private:
  Session(log::StateSpace& space, store::StudyName study, const IntakeOptions& options);

  absl::StatusOr<std::optional<Answer>> Repeated(const std::string& record_id,
                                                 const log::Hash& digest);
  absl::StatusOr<v1::Judgement> JudgementOf(const log::RecordIndex& index);
  absl::StatusOr<Answer> Wait(const Prepared& prepared, const Arrival& arrival,
                              const std::string& missing, v1::Judgement judgement,
                              store::WriteBatch* batch);
  absl::StatusOr<Answer> Refuse(const Prepared& prepared, const Arrival& arrival,
                                v1::Judgement judgement);
  absl::StatusOr<Answer> TakeJudged(const Prepared& prepared, const Arrival& arrival,
                                    const log::Effect& effect, v1::Judgement judgement,
                                    store::WriteBatch* batch);
  void Append(const Prepared& prepared, const Arrival& arrival, const v1::Judgement& judgement,
              store::WriteBatch* batch);
  void AppendBytes(std::string entry, store::WriteBatch* batch);
  absl::Status KeepAside(const v1::Record& record, const v1::Judgement& judgement,
                         absl::Time received);
  absl::Status ForgetRefusal(const std::string& record_id);
  absl::Status SettleWaiting(std::deque<std::string> arrived, const Arrival& arrival,
                             store::WriteBatch* batch);
  absl::Status SettleOne(std::int64_t sequence, const Arrival& arrival, store::WriteBatch* batch,
                         std::deque<std::string>* arrived);
  absl::StatusOr<absl::Status> CheckOwn(const v1::Record& record, const Arrival& arrival);
  absl::Status CheckExclusion(const v1::Record& record, v1::Judgement* judgement);

  log::StateSpace& space_;
  const store::StudyName study_;
  const IntakeOptions& options_;
  log::Revisions revisions_;
  log::Fold fold_;
  log::Head head_;
};

}  // namespace plumule::intake
