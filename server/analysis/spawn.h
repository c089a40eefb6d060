// Starting a program with nothing of ours but what it is given.
#pragma once

#include <sys/types.h>

#include <string>
#include <vector>

#include "absl/status/statusor.h"

namespace plumule::analysis {

// One resource limit and what it is called.
struct ResourceLimit {
  // RLIMIT_…
  int resource = 0;
  // Wanted; lowered to this process's own hard limit.
  std::int64_t value = 0;
  // "address space: 1024 MiB".
  std::string words;
};

// What a program is started with.
struct SpawnSpec {
  // Absolute path, also its first argument.
  std::string executable;
  // The whole environment.
  std::vector<std::string> environment;
  // Working directory.
  std::string folder;
  // Its descriptors 0, 1, 2 …: numbers of open descriptors of this process, each at least 16. All
  // others are closed.
  std::vector<int> descriptors;
  // Resource limits.
  std::vector<ResourceLimit> limits;
};

// A program that has been started.
struct Spawned {
  pid_t pid = 0;
  // Whether each limit of the spec was set.
  std::vector<bool> limit_set;
  // Whether it dies with the thread that started it, and can't gain privileges.
  bool dies_with_parent = false;
  bool no_new_privileges = false;
};

// Starts a program by vfork and exec: safe in a program with many threads, and as fast with much
// memory as with little. The program leads a session and process group of its own, has default
// signal dispositions and umask 077. An error names what failed.
absl::StatusOr<Spawned> Spawn(const SpawnSpec& spec);

}  // namespace plumule::analysis
