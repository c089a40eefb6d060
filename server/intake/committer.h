// The thread that orders, chains and writes what has come for all studies.
#pragma once

#include <atomic>
#include <cstdint>
#include <deque>
#include <functional>
#include <memory>
#include <mutex>
#include <thread>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/container/flat_hash_map.h"
#include "absl/container/flat_hash_set.h"
#include "absl/status/status.h"
#include "absl/synchronization/mutex.h"
#include "server/intake/intake.h"
#include "server/intake/protocol_cache.h"
#include "server/intake/session.h"
#include "server/log/state_space.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::intake {

// What one caller wants done in one study.
struct Submission {
  store::StudyName study;
  std::size_t records = 1;
  std::size_t bytes = 0;
  // On the committer's thread; may be called again if the batch has to be made anew.
  std::function<Answers(Session&, store::WriteBatch*)> take;
  // Once, when all is durable or failed.
  std::function<void(Answers)> done;
};

class Intake::Committer {
 public:
  Committer(store::Store& store, Clock clock, const IntakeOptions& options);
  ~Committer();

  // Queues it, or answers at once why not.
  void Queue(Submission submission);
  std::unique_ptr<LogFollower> Follow(const store::StudyName& study,
                                      std::function<void(std::int64_t)> on_head);
  void Shutdown();
  bool stopped() const { return stopped_.load(); }

  absl::Time Now() const { return clock_(); }
  store::Store& store() { return store_; }
  const IntakeOptions& options() const { return options_; }
  ProtocolCache& protocols() { return protocols_; }

 private:
  class Follower;
  using Batch = std::vector<Submission>;

  absl::Status Admit(const Submission& submission) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void Run();
  bool HasWork() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  Batch NextBatch() ABSL_LOCKS_EXCLUDED(mutex_);
  void Commit(Batch batch);
  bool TakeAll(Batch* batch, store::WriteBatch* writes, std::vector<Answers>* answers);
  absl::StatusOr<Session*> Open(const store::StudyName& study);
  void AddHeads(store::WriteBatch* writes);
  void Forget();
  void TellFollowers();

  store::Store& store_;
  const Clock clock_;
  const IntakeOptions options_;
  ProtocolCache protocols_;

  absl::Mutex mutex_;
  std::deque<Submission> queue_ ABSL_GUARDED_BY(mutex_);
  std::size_t queued_records_ ABSL_GUARDED_BY(mutex_) = 0;
  std::size_t queued_bytes_ ABSL_GUARDED_BY(mutex_) = 0;
  bool shutting_down_ ABSL_GUARDED_BY(mutex_) = false;
  std::atomic<bool> stopped_ = false;

  absl::Mutex followers_mutex_;
  absl::flat_hash_map<store::StudyName, std::vector<Follower*>> followers_
      ABSL_GUARDED_BY(followers_mutex_);

  // The committer thread's own.
  std::unique_ptr<log::StateSpace> space_;
  absl::flat_hash_map<store::StudyName, std::unique_ptr<Session>> sessions_;
  // Studies whose logs grow with the batch at hand.
  absl::flat_hash_set<store::StudyName> grown_;
  absl::flat_hash_map<store::StudyName, absl::Status> damaged_;

  std::thread thread_;
  std::once_flag ended_;
};

}  // namespace plumule::intake
