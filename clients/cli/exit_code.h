#pragma once

namespace plumule::cli {

// What the program's exit status says. Part of its contract with scripts.
enum ExitCode : int {
  kDone = 0,
  // The question was answered, and the answer is no: a check failed, a log is damaged, a record
  // was refused, the server declined for the state of things.
  kAnswerIsNo = 1,
  // The input or the command line can't be used.
  kUnusable = 2,
  // The server, the network or a plugin failed.
  kServer = 3,
};

}  // namespace plumule::cli
