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
  ending_ = true;
  const absl::MutexLock lock(&mutex_);
  for (OpenStream* stream : streams_) stream->EndSoon();
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
