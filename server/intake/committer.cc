#include "server/intake/committer.h"

#include <algorithm>
#include <utility>

#include "absl/time/time.h"
#include "server/log/stored_log.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/store/commit_errors.h"
#include "server/store/keys.h"

namespace plumule::intake {
namespace {

// Studies whose heads and protocols stay in memory between batches.
constexpr std::size_t kMostSessions = 500;
// A full queue is written within about this time.
constexpr absl::Duration kRetryAfter = absl::Milliseconds(200);

absl::Status QueueFull() {
  return WithRetryAfter(
      ReasonedError(absl::StatusCode::kResourceExhausted, "intake_queue_full",
                    "more records have come than can be written at once: send them again later"),
      kRetryAfter);
}

absl::Status ShuttingDown() {
  return ReasonedError(absl::StatusCode::kUnavailable, "shutting_down",
                       "the server is shutting down: send the same records again later");
}

}  // namespace

class Intake::Committer::Follower : public LogFollower {
 public:
  Follower(Committer& committer, const store::StudyName& study,
           std::function<void(std::int64_t)> on_head)
      : committer_(committer), study_(study), on_head_(std::move(on_head)) {
    absl::MutexLock lock(&committer_.followers_mutex_);
    committer_.followers_[study_].push_back(this);
  }
  ~Follower() override {
    absl::MutexLock lock(&committer_.followers_mutex_);
    std::vector<Follower*>& all = committer_.followers_[study_];
    all.erase(std::remove(all.begin(), all.end(), this), all.end());
    if (all.empty()) committer_.followers_.erase(study_);
  }
  void Tell(std::int64_t head) const { on_head_(head); }

 private:
  Committer& committer_;
  const store::StudyName study_;
  const std::function<void(std::int64_t)> on_head_;
};

Intake::Committer::Committer(store::Store& store, Clock clock, const IntakeOptions& options)
    : store_(store), clock_(std::move(clock)), options_(options), protocols_(store) {
  Forget();
  thread_ = std::thread([this] { Run(); });
}

Intake::Committer::~Committer() { Shutdown(); }

void Intake::Committer::Shutdown() {
  {
    absl::MutexLock lock(&mutex_);
    shutting_down_ = true;
  }
  std::call_once(ended_, [this] { thread_.join(); });
}

std::unique_ptr<LogFollower> Intake::Committer::Follow(const store::StudyName& study,
                                                       std::function<void(std::int64_t)> on_head) {
  return std::make_unique<Follower>(*this, study, std::move(on_head));
}

absl::Status Intake::Committer::Admit(const Submission& submission) {
  if (stopped()) return store::OutcomeUnknown("an earlier write failed");
  if (shutting_down_) return ShuttingDown();
  if (queued_records_ + submission.records > options_.queued_records ||
      queued_bytes_ + submission.bytes > options_.queued_bytes) {
    return QueueFull();
  }
  queued_records_ += submission.records;
  queued_bytes_ += submission.bytes;
  return absl::OkStatus();
}

void Intake::Committer::Queue(Submission submission) {
  absl::Status refused;
  {
    absl::MutexLock lock(&mutex_);
    refused = Admit(submission);
    if (refused.ok()) queue_.push_back(std::move(submission));
  }
  if (!refused.ok()) submission.done(refused);
}

bool Intake::Committer::HasWork() const { return shutting_down_ || !queue_.empty(); }

Intake::Committer::Batch Intake::Committer::NextBatch() {
  absl::MutexLock lock(&mutex_);
  mutex_.Await(absl::Condition(this, &Committer::HasWork));
  Batch batch;
  std::size_t records = 0;
  std::size_t bytes = 0;
  while (!queue_.empty()) {
    Submission& next = queue_.front();
    records += next.records;
    bytes += next.bytes;
    if (!batch.empty() && (records > options_.batch_records || bytes > options_.batch_bytes)) {
      break;
    }
    queued_records_ -= next.records;
    queued_bytes_ -= next.bytes;
    batch.push_back(std::move(next));
    queue_.pop_front();
  }
  return batch;
}

void Intake::Committer::Run() {
  for (Batch batch = NextBatch(); !batch.empty(); batch = NextBatch()) {
    if (!stopped()) {
      Commit(std::move(batch));
      continue;
    }
    for (const Submission& submission : batch) {
      submission.done(store::OutcomeUnknown("an earlier write failed"));
    }
  }
}

void Intake::Committer::Forget() {
  sessions_.clear();
  grown_.clear();
  space_ = std::make_unique<log::StateSpace>(store_, store_, options_.state_cache_bytes);
}

absl::StatusOr<Session*> Intake::Committer::Open(const store::StudyName& study) {
  if (const auto damaged = damaged_.find(study); damaged != damaged_.end()) {
    return damaged->second;
  }
  std::unique_ptr<Session>& session = sessions_[study];
  if (!session) {
    auto opened = Session::Open(store_, *space_, study, options_);
    if (!opened.ok()) {
      sessions_.erase(study);
      return opened.status();
    }
    session = *std::move(opened);
  }
  return session.get();
}

// False: one submission met an error halfway; it is answered and gone, and the rest must be taken
// anew, since state and batch hold half of it.
bool Intake::Committer::TakeAll(Batch* batch, store::WriteBatch* writes,
                                std::vector<Answers>* answers) {
  for (auto at = batch->begin(); at != batch->end(); ++at) {
    const absl::StatusOr<Session*> session = Open(at->study);
    if (!session.ok()) {
      answers->push_back(session.status());
      continue;
    }
    const std::int64_t before = (*session)->head().sequence;
    answers->push_back(at->take(**session, writes));
    const absl::Status status = answers->back().status();
    if ((*session)->head().sequence != before) grown_.insert(at->study);
    if (status.ok()) continue;
    if (status.code() == absl::StatusCode::kDataLoss) damaged_.emplace(at->study, status);
    at->done(status);
    batch->erase(at);
    Forget();
    return false;
  }
  return true;
}

void Intake::Committer::AddHeads(store::WriteBatch* writes) {
  for (const store::StudyName& study : grown_) {
    writes->Put(store::LogHeadKey(study), log::EncodeHead(sessions_.at(study)->head()));
  }
}

void Intake::Committer::TellFollowers() {
  absl::MutexLock lock(&followers_mutex_);
  if (followers_.empty()) return;
  for (const store::StudyName& study : grown_) {
    const auto found = followers_.find(study);
    if (found == followers_.end()) continue;
    const std::int64_t head = sessions_.at(study)->head().sequence;
    for (const Follower* follower : found->second) follower->Tell(head);
  }
}

void Intake::Committer::Commit(Batch batch) {
  store::WriteBatch writes;
  std::vector<Answers> answers;
  while (!TakeAll(&batch, &writes, &answers)) {
    writes = {};
    answers.clear();
  }
  space_->WriteChanges(&writes);
  absl::Status written;
  if (!writes.empty()) {
    AddHeads(&writes);
    written = store_.Commit(writes);
  }
  if (written.ok()) {
    space_->EndBatch();
    TellFollowers();
    grown_.clear();
    if (sessions_.size() > kMostSessions) sessions_.clear();
  } else {
    if (!store_.trusted()) stopped_ = true;
    Forget();
    std::fill(answers.begin(), answers.end(), Answers(written));
  }
  for (std::size_t i = 0; i < batch.size(); ++i) batch[i].done(std::move(answers[i]));
}

}  // namespace plumule::intake
