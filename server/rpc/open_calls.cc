#include "server/rpc/open_calls.h"

namespace plumule::rpc {

void OpenCalls::Enter(OpenStream* stream) {
  const absl::MutexLock lock(&mutex_);
  streams_.insert(stream);
}

void OpenCalls::Leave(OpenStream* stream) {
  const absl::MutexLock lock(&mutex_);
  streams_.erase(stream);
}

void OpenCalls::EndAll() {
  const absl::MutexLock lock(&mutex_);
  ending_ = true;
  for (OpenStream* stream : streams_) stream->EndSoon();
}

bool OpenCalls::ending() const {
  const absl::MutexLock lock(&mutex_);
  return ending_;
}

void OpenCalls::WaitUntilOver(absl::Duration bound) {
  const absl::MutexLock lock(&mutex_);
  mutex_.AwaitWithTimeout(absl::Condition(this, &OpenCalls::IsOver), bound);
}

void OpenCalls::Count(int change) {
  const absl::MutexLock lock(&mutex_);
  count_ += change;
}

}  // namespace plumule::rpc
