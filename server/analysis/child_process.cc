#include "server/analysis/child_process.h"

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/resource.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "server/analysis/file_descriptor.h"
#include "server/analysis/spawn.h"
#include "server/protocol/status_macros.h"

namespace plumule::analysis {

struct ChildProcess::Ends {
  FileDescriptor output;
  FileDescriptor lease;
  FileDescriptor child;
  FileDescriptor wake;
};

namespace {

// Descriptors that a child gets are moved above the numbers under which it gets them.
constexpr int kLowestDescriptor = 16;
// The child's descriptors: 0 input, 1 output, 2 errors, then the lease.
constexpr int kLeaseDescriptor = 3;
// What a child has sent when it ends is on its way for no longer than this.
constexpr int kSettleMilliseconds = 250;
// Output of one reading, and of the last one.
constexpr std::int64_t kReadBytes = 256 << 10;
constexpr std::int64_t kLastReadBytes = 4 << 20;

// Takes `number`, an open descriptor or -1, and moves it above those that children get.
absl::StatusOr<FileDescriptor> Raise(int number, absl::string_view what) {
  FileDescriptor low(number);
  if (!low.is_open()) return absl::ErrnoToStatus(errno, absl::StrCat("can't open ", what));
  FileDescriptor high(fcntl(low.number(), F_DUPFD_CLOEXEC, kLowestDescriptor));
  if (!high.is_open()) return absl::ErrnoToStatus(errno, absl::StrCat("can't keep ", what));
  return high;
}

struct Pipe {
  FileDescriptor read;
  FileDescriptor write;
};

absl::StatusOr<Pipe> MakePipe(absl::string_view what) {
  int ends[2] = {-1, -1};
  if (pipe2(ends, O_CLOEXEC) != 0) {
    return absl::ErrnoToStatus(errno, absl::StrCat("can't open ", what));
  }
  absl::StatusOr<FileDescriptor> read = Raise(ends[0], what);
  absl::StatusOr<FileDescriptor> write = Raise(ends[1], what);
  PLUMULE_RETURN_IF_ERROR(read.status());
  PLUMULE_RETURN_IF_ERROR(write.status());
  return Pipe{*std::move(read), *std::move(write)};
}

std::string Mebibytes(std::int64_t bytes) {
  return absl::StrCat((bytes + (1 << 20) - 1) >> 20, " MiB");
}

std::vector<ResourceLimit> LimitsOf(const ChildSpec& spec) {
  return {
      {RLIMIT_AS, spec.address_space_bytes,
       absl::StrCat("address space: ", Mebibytes(spec.address_space_bytes), " a process")},
      {RLIMIT_CPU, spec.processor_seconds,
       absl::StrCat("processor time: ", spec.processor_seconds, " s a process")},
      {RLIMIT_FSIZE, spec.file_bytes,
       absl::StrCat("file size: ", Mebibytes(spec.file_bytes), " a file")},
      {RLIMIT_NOFILE, spec.open_files, absl::StrCat("open files: ", spec.open_files, " a process")},
      {RLIMIT_CORE, 0, "core dumps: none"},
  };
}

std::vector<std::string> EnforcedWords(const std::vector<ResourceLimit>& limits,
                                       const Spawned& spawned) {
  std::vector<std::string> words;
  const auto note = [&](bool holds, absl::string_view what) {
    words.push_back(holds ? std::string(what) : absl::StrCat("not enforced: ", what));
  };
  for (size_t i = 0; i < limits.size(); ++i) note(spawned.limit_set[i], limits[i].words);
  note(spawned.no_new_privileges, "no new privileges");
  note(spawned.dies_with_parent, "ends with the host");
  return words;
}

}  // namespace

std::string Words(const ChildExit& exit) {
  if (exit.signal == 0) return absl::StrCat("ended with exit status ", exit.status);
  const char* name = sigabbrev_np(exit.signal);
  return absl::StrCat("was killed by signal ",
                      name != nullptr ? std::string(name) : std::to_string(exit.signal));
}

absl::StatusOr<std::unique_ptr<ChildProcess>> ChildProcess::Start(
    const ChildSpec& spec, std::function<void(ChildEvent)> on_event) {
  PLUMULE_ASSIGN_OR_RETURN(const FileDescriptor nothing,
                           Raise(open("/dev/null", O_RDONLY | O_CLOEXEC), "/dev/null"));
  PLUMULE_ASSIGN_OR_RETURN(Pipe output, MakePipe("a pipe for the output"));
  PLUMULE_ASSIGN_OR_RETURN(Pipe lease, MakePipe("a pipe for the lease"));
  PLUMULE_ASSIGN_OR_RETURN(FileDescriptor wake, Raise(eventfd(0, EFD_CLOEXEC), "an event"));
  if (fcntl(output.read.number(), F_SETFL, O_NONBLOCK) != 0) {
    return absl::ErrnoToStatus(errno, "can't set up the pipe for the output");
  }

  SpawnSpec program;
  program.executable = spec.executable;
  program.environment = spec.environment;
  program.environment.push_back(absl::StrCat(spec.lease_variable, "=", kLeaseDescriptor));
  program.folder = spec.folder;
  program.descriptors = {nothing.number(), output.write.number(), output.write.number(),
                         lease.read.number()};
  program.limits = LimitsOf(spec);
  PLUMULE_ASSIGN_OR_RETURN(const Spawned spawned, Spawn(program));

  // Called by number: the header of Debian 12 lacks C linkage.
  FileDescriptor child(static_cast<int>(syscall(SYS_pidfd_open, spawned.pid, 0)));
  if (!child.is_open()) {
    const int error = errno;
    kill(-spawned.pid, SIGKILL);
    waitpid(spawned.pid, nullptr, 0);
    return absl::ErrnoToStatus(error, "can't watch the process");
  }
  auto ends = std::make_unique<Ends>(
      Ends{std::move(output.read), std::move(lease.write), std::move(child), std::move(wake)});
  std::unique_ptr<ChildProcess> process(
      new ChildProcess(spec, spawned.pid, std::move(ends), std::move(on_event)));
  process->enforced_ = EnforcedWords(program.limits, spawned);
  return process;
}

ChildProcess::ChildProcess(const ChildSpec& spec, pid_t pid, std::unique_ptr<Ends> ends,
                           std::function<void(ChildEvent)> on_event)
    : pid_(pid),
      output_bytes_(spec.output_bytes),
      on_event_(std::move(on_event)),
      ends_(std::move(ends)),
      output_(spec.kept_output_bytes),
      watcher_([this] { Watch(); }) {}

ChildProcess::~ChildProcess() { End(absl::ZeroDuration()); }

void ChildProcess::Watch() {
  bool output_open = true;
  bool running = true;
  bool settled = false;
  while (true) {
    std::array<pollfd, 3> events = {pollfd{ends_->wake.number(), POLLIN, 0},
                                    pollfd{output_open ? ends_->output.number() : -1, POLLIN, 0},
                                    pollfd{running ? ends_->child.number() : -1, POLLIN, 0}};
    const int ready =
        poll(events.data(), events.size(), running || settled ? -1 : kSettleMilliseconds);
    if (ready < 0 && errno != EINTR) return;
    if (ready == 0) {
      settled = true;
      on_event_(ChildEvent::kExitSettled);
    }
    if (events[0].revents != 0) break;
    if (events[1].revents != 0) output_open = Drain(kReadBytes);
    if (events[2].revents != 0) {
      running = false;
      if (output_open) output_open = Drain(kLastReadBytes);
      NoteExit();
    }
  }
  if (output_open) Drain(kLastReadBytes);
}

bool ChildProcess::Drain(std::int64_t budget) {
  std::array<char, 64 << 10> buffer;
  while (budget > 0) {
    const ssize_t got = read(ends_->output.number(), buffer.data(), buffer.size());
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) return errno == EAGAIN;
    if (got == 0) return false;
    budget -= got;
    bool passed = false;
    {
      absl::MutexLock lock(&mutex_);
      output_.Append(absl::string_view(buffer.data(), static_cast<size_t>(got)));
      passed = !output_limit_passed_ && output_.total() > output_bytes_;
      if (passed) output_limit_passed_ = true;
    }
    if (passed) on_event_(ChildEvent::kOutputLimitPassed);
  }
  return true;
}

void ChildProcess::NoteExit() {
  // Left unreaped: until End its number, and that of its group, can't become anyone else's.
  siginfo_t ended = {};
  if (waitid(P_PIDFD, static_cast<id_t>(ends_->child.number()), &ended,
             WEXITED | WNOWAIT | WNOHANG) != 0) {
    return;
  }
  ChildExit exit;
  (ended.si_code == CLD_EXITED ? exit.status : exit.signal) = ended.si_status;
  {
    absl::MutexLock lock(&mutex_);
    if (killing_) return;
    exit_ = exit;
  }
  on_event_(ChildEvent::kExited);
}

std::optional<ChildExit> ChildProcess::exit() const {
  absl::MutexLock lock(&mutex_);
  return exit_;
}

bool ChildProcess::WaitForExit(absl::Duration patience) const {
  absl::MutexLock lock(&mutex_);
  const auto has_ended = [this]()
                             ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { return exit_.has_value(); };
  return mutex_.AwaitWithTimeout(absl::Condition(&has_ended), patience);
}

bool ChildProcess::output_limit_passed() const {
  absl::MutexLock lock(&mutex_);
  return output_limit_passed_;
}

std::string ChildProcess::output() const {
  absl::MutexLock lock(&mutex_);
  return output_.Text();
}

void ChildProcess::End(absl::Duration grace) {
  if (ended_) return;
  ended_ = true;
  ends_->lease.Close();
  WaitForExit(grace);
  {
    absl::MutexLock lock(&mutex_);
    killing_ = true;
  }
  // The group is killed even if its leader has ended: what it started must not stay.
  kill(-pid_, SIGKILL);
  waitpid(pid_, nullptr, 0);
  eventfd_write(ends_->wake.number(), 1);
  watcher_.join();
}

}  // namespace plumule::analysis
