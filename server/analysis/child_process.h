// A child process on a short lead: limited, watched, drained, and gone when its owner goes.
#pragma once

#include <sys/types.h>

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <thread>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/status/statusor.h"
#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"
#include "server/analysis/bounded_output.h"

namespace plumule::analysis {

// How to start a child.
struct ChildSpec {
  // Absolute path.
  std::string executable;
  // The whole environment, `NAME=value`, beside the lease.
  std::vector<std::string> environment;
  // Name of the variable that tells the number of the lease's descriptor.
  std::string lease_variable;
  // Working directory.
  std::string folder;

  // Resource limits; lowered to what this process may give.
  std::int64_t address_space_bytes = 0;
  std::int64_t processor_seconds = 0;
  std::int64_t file_bytes = 0;
  std::int64_t open_files = 0;

  // Output kept, and most output allowed, bytes.
  size_t kept_output_bytes = 0;
  std::int64_t output_bytes = 0;
};

// How a process ended.
struct ChildExit {
  // Number of the signal that killed it; 0 if it exited.
  int signal = 0;
  // Its exit status, if it exited.
  int status = 0;
};

// "ended with exit status 3", "was killed by signal SEGV".
std::string Words(const ChildExit& exit);

// What the owner is told of.
enum class ChildEvent {
  // It ended.
  kExited,
  // It ended a while ago: what it sent has arrived, or never will.
  kExitSettled,
  // It wrote more than it may.
  kOutputLimitPassed,
};

// A running child in a session and process group of its own. Its standard input is empty, its
// output and errors are drained by a thread of this object all the time, and it inherits one more
// descriptor, the lease, which reads end of file when this object or this process is gone.
//
// The thread that starts it must outlive it: the kernel kills the child when that thread ends.
// No other part of the program may wait for children it did not start.
class ChildProcess {
 public:
  // Starts it without copying this process (vfork and exec). `on_event` is called from the watching
  // thread and must not block. Errors say why: NOT_FOUND, PERMISSION_DENIED …
  static absl::StatusOr<std::unique_ptr<ChildProcess>> Start(
      const ChildSpec& spec, std::function<void(ChildEvent)> on_event);

  // Ends it without patience.
  ~ChildProcess();
  ChildProcess(const ChildProcess&) = delete;
  ChildProcess& operator=(const ChildProcess&) = delete;

  // How it ended by itself; absent while it runs, and if End killed it.
  std::optional<ChildExit> exit() const;

  // Waits until it has ended by itself; false after `patience`.
  bool WaitForExit(absl::Duration patience) const;

  // True once it wrote more than it may.
  bool output_limit_passed() const;

  // What it wrote so far, bounded and readable.
  std::string output() const;

  // Closes the lease, waits `grace` for the child to end, kills everything left in its process
  // group, and collects the last output. Idempotent; called by the owner's thread.
  void End(absl::Duration grace);

  // Which limits hold for it, and which do not, in words.
  const std::vector<std::string>& enforced() const { return enforced_; }

 private:
  // Descriptors of the parent's side, closed when it goes.
  struct Ends;
  ChildProcess(const ChildSpec& spec, pid_t pid, std::unique_ptr<Ends> ends,
               std::function<void(ChildEvent)> on_event);
  void Watch();
  // Reads what there is, at most `budget` bytes; false once nothing more will come.
  bool Drain(std::int64_t budget);
  void NoteExit();

  const pid_t pid_;
  const std::int64_t output_bytes_;
  const std::function<void(ChildEvent)> on_event_;
  const std::unique_ptr<Ends> ends_;
  std::vector<std::string> enforced_;
  bool ended_ = false;

  mutable absl::Mutex mutex_;
  BoundedOutput output_ ABSL_GUARDED_BY(mutex_);
  std::optional<ChildExit> exit_ ABSL_GUARDED_BY(mutex_);
  bool output_limit_passed_ ABSL_GUARDED_BY(mutex_) = false;
  // Set before the host kills: an end after that is not the child's own.
  bool killing_ ABSL_GUARDED_BY(mutex_) = false;

  std::thread watcher_;
};

}  // namespace plumule::analysis
