#include "server/rpc/worker_pool.h"

#include <utility>

namespace plumule::rpc {

WorkerPool::WorkerPool(int threads, std::size_t queue_limit) : queue_limit_(queue_limit) {
  for (int i = 0; i < threads; ++i) threads_.emplace_back([this] { RunThread(); });
}

WorkerPool::~WorkerPool() {
  {
    const absl::MutexLock lock(&mutex_);
    stopping_ = true;
  }
  for (std::thread& thread : threads_) thread.join();
}

bool WorkerPool::Add(std::function<void()> work) {
  const absl::MutexLock lock(&mutex_);
  if (queue_.size() >= queue_limit_) return false;
  queue_.push_back(std::move(work));
  return true;
}

bool WorkerPool::HasWork() const { return stopping_ || !queue_.empty(); }

void WorkerPool::RunThread() {
  while (true) {
    std::function<void()> work;
    {
      const absl::MutexLock lock(&mutex_);
      mutex_.Await(absl::Condition(this, &WorkerPool::HasWork));
      if (queue_.empty()) return;
      work = std::move(queue_.front());
      queue_.pop_front();
    }
    work();
  }
}

}  // namespace plumule::rpc
