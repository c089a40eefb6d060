// The calls that are open, so that a server that stops can end them and knows when they are over.
#pragma once

#include <atomic>

#include "absl/base/thread_annotations.h"
#include "absl/container/flat_hash_set.h"
#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"

namespace plumule::rpc {

// A call that can last for long, and can be asked to come to an end.
class OpenStream {
 public:
  virtual ~OpenStream() = default;
  // Answers what was taken in, then ends the stream with UNAVAILABLE (`server_stopping`). Returns
  // at once.
  virtual void EndSoon() = 0;
};

// Thread-safe.
class OpenCalls {
 public:
  // Counts one call for as long as it lives.
  class Ticket {
   public:
    explicit Ticket(OpenCalls& calls) : calls_(calls) { calls_.Count(+1); }
    ~Ticket() { calls_.Count(-1); }
    Ticket(const Ticket&) = delete;
    Ticket& operator=(const Ticket&) = delete;

   private:
    OpenCalls& calls_;
  };

  // A stream must leave before it is destroyed. One that enters while all are ending is asked to
  // end by whoever admits it: admission is refused then.
  void Enter(OpenStream* stream);
  // Returns once EndSoon is not being called. Not to be called from EndSoon.
  void Leave(OpenStream* stream);

  // Asks all streams to end.
  void EndAll();
  // True from then on. Takes no lock: streams ask it under their own.
  bool ending() const { return ending_; }
  // Waits until no call is open, or until `bound` has passed.
  void WaitUntilOver(absl::Duration bound);

 private:
  void Count(int change);
  bool IsOver() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { return count_ == 0; }

  std::atomic<bool> ending_ = false;
  absl::Mutex mutex_;
  int count_ ABSL_GUARDED_BY(mutex_) = 0;
  absl::flat_hash_set<OpenStream*> streams_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace plumule::rpc
