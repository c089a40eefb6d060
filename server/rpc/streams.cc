#include "server/rpc/streams.h"

namespace plumule::rpc {

bool Streams::Enter(OpenStream* stream) {
  const absl::MutexLock lock(&mutex_);
  if (ending_) return false;
  open_.insert(stream);
  return true;
}

void Streams::Leave(OpenStream* stream) {
  const absl::MutexLock lock(&mutex_);
  open_.erase(stream);
}

void Streams::EndAll() {
  const absl::MutexLock lock(&mutex_);
  ending_ = true;
  for (OpenStream* stream : open_) stream->EndSoon();
}

bool Streams::ending() const {
  const absl::MutexLock lock(&mutex_);
  return ending_;
}

}  // namespace plumule::rpc
