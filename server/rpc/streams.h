// The streams that are open, so that a server that stops can end them.
#pragma once

#include "absl/base/thread_annotations.h"
#include "absl/container/flat_hash_set.h"
#include "absl/synchronization/mutex.h"

namespace plumule::rpc {

// A stream that can be asked to come to an end.
class OpenStream {
 public:
  virtual ~OpenStream() = default;
  // Answers what was taken in, then ends the stream with UNAVAILABLE (`server_stopping`). Returns
  // at once.
  virtual void EndSoon() = 0;
};

// Thread-safe. A stream must leave before it is destroyed.
class Streams {
 public:
  // False if the server stops already: then the stream does not become a member.
  [[nodiscard]] bool Enter(OpenStream* stream);
  // Returns once EndSoon is not being called. Not to be called from EndSoon.
  void Leave(OpenStream* stream);
  // Asks all to end, and lets no more in.
  void EndAll();
  bool ending() const;

 private:
  mutable absl::Mutex mutex_;
  bool ending_ ABSL_GUARDED_BY(mutex_) = false;
  absl::flat_hash_set<OpenStream*> open_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace plumule::rpc
