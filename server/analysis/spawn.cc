#include "server/analysis/spawn.h"

#include <fcntl.h>
#include <linux/close_range.h>
#include <signal.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdint>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"

namespace plumule::analysis {
namespace {

constexpr int kMaxLimits = 16;

// Everything the child needs, made before it exists: between vfork and exec it shares the parent's
// memory and may call nothing but async-signal-safe functions. It writes its report here.
struct ChildPlan {
  const char* executable = nullptr;
  char* const* arguments = nullptr;
  char* const* environment = nullptr;
  const char* folder = nullptr;
  const int* descriptors = nullptr;
  int descriptor_count = 0;
  int resources[kMaxLimits] = {};
  rlimit limits[kMaxLimits] = {};
  int limit_count = 0;
  pid_t parent = 0;

  volatile int error = 0;
  volatile bool limit_set[kMaxLimits] = {};
  volatile bool dies_with_parent = false;
  volatile bool no_new_privileges = false;
};

void ResetSignals() {
  struct sigaction standard = {};
  standard.sa_handler = SIG_DFL;
  for (int number = 1; number < NSIG; ++number) sigaction(number, &standard, nullptr);
  sigset_t none;
  sigemptyset(&none);
  sigprocmask(SIG_SETMASK, &none, nullptr);
}

// The child's life up to exec. Not inlined: the parent's frame must stay as it is.
[[noreturn]] __attribute__((noinline)) void BecomeProgram(ChildPlan* plan) {
  setsid();
  umask(077);
  plan->dies_with_parent = prctl(PR_SET_PDEATHSIG, SIGKILL) == 0 && getppid() == plan->parent;
  plan->no_new_privileges = prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) == 0;
  bool ready = true;
  for (int i = 0; ready && i < plan->descriptor_count; ++i) {
    ready = dup2(plan->descriptors[i], i) == i;
  }
  ready = ready && syscall(SYS_close_range, plan->descriptor_count, ~0U, 0) == 0;
  ready = ready && chdir(plan->folder) == 0;
  if (ready) {
    for (int i = 0; i < plan->limit_count; ++i) {
      plan->limit_set[i] =
          setrlimit(static_cast<__rlimit_resource>(plan->resources[i]), &plan->limits[i]) == 0;
    }
    ResetSignals();
    execve(plan->executable, plan->arguments, plan->environment);
  }
  plan->error = errno;
  _exit(127);
}

std::vector<char*> Pointers(const std::vector<std::string>& texts) {
  std::vector<char*> pointers;
  // exec takes non-const pointers but changes nothing.
  for (const std::string& text : texts) pointers.push_back(const_cast<char*>(text.c_str()));
  pointers.push_back(nullptr);
  return pointers;
}

void PlanLimits(const SpawnSpec& spec, ChildPlan* plan) {
  for (const ResourceLimit& wanted : spec.limits) {
    if (plan->limit_count == kMaxLimits) return;
    rlimit own = {};
    getrlimit(static_cast<__rlimit_resource>(wanted.resource), &own);
    const rlim_t value = std::min(static_cast<rlim_t>(wanted.value), own.rlim_max);
    plan->resources[plan->limit_count] = wanted.resource;
    plan->limits[plan->limit_count] = {value, value};
    ++plan->limit_count;
  }
}

}  // namespace

absl::StatusOr<Spawned> Spawn(const SpawnSpec& spec) {
  const std::vector<std::string> argument_texts = {spec.executable};
  const std::vector<char*> arguments = Pointers(argument_texts);
  const std::vector<char*> environment = Pointers(spec.environment);
  ChildPlan plan;
  plan.executable = spec.executable.c_str();
  plan.arguments = arguments.data();
  plan.environment = environment.data();
  plan.folder = spec.folder.c_str();
  plan.descriptors = spec.descriptors.data();
  plan.descriptor_count = static_cast<int>(spec.descriptors.size());
  plan.parent = getpid();
  PlanLimits(spec, &plan);

  // No handler of ours may run in the child while it shares our memory.
  sigset_t all;
  sigset_t before;
  sigfillset(&all);
  pthread_sigmask(SIG_SETMASK, &all, &before);
  const pid_t pid = vfork();
  if (pid == 0) BecomeProgram(&plan);
  const int fork_error = errno;
  pthread_sigmask(SIG_SETMASK, &before, nullptr);

  if (pid < 0) return absl::ErrnoToStatus(fork_error, "can't make a process");
  if (plan.error != 0) {
    waitpid(pid, nullptr, 0);
    return absl::ErrnoToStatus(plan.error, absl::StrCat("can't execute ", spec.executable));
  }
  Spawned spawned;
  spawned.pid = pid;
  for (int i = 0; i < plan.limit_count; ++i) spawned.limit_set.push_back(plan.limit_set[i]);
  spawned.dies_with_parent = plan.dies_with_parent;
  spawned.no_new_privileges = plan.no_new_privileges;
  return spawned;
}

}  // namespace plumule::analysis
