// Threads for calls that may wait for the disk or for a plugin, so that gRPC's own never do.
#pragma once

#include <cstddef>
#include <deque>
#include <functional>
#include <thread>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/synchronization/mutex.h"

namespace plumule::rpc {

// A fixed number of threads behind a bounded queue. Thread-safe.
class WorkerPool {
 public:
  WorkerPool(int threads, std::size_t queue_limit);
  // Runs what is queued, then stops. Nothing may be added meanwhile.
  ~WorkerPool();
  WorkerPool(const WorkerPool&) = delete;
  WorkerPool& operator=(const WorkerPool&) = delete;

  // Queues `work`; false, without running it, if the queue is full. `work` must not throw.
  [[nodiscard]] bool Add(std::function<void()> work);

 private:
  void RunThread();
  bool HasWork() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  const std::size_t queue_limit_;
  absl::Mutex mutex_;
  std::deque<std::function<void()>> queue_ ABSL_GUARDED_BY(mutex_);
  bool stopping_ ABSL_GUARDED_BY(mutex_) = false;
  std::vector<std::thread> threads_;
};

}  // namespace plumule::rpc
