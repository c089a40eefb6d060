// The real server program, as a test's child.
#pragma once

#include <sys/types.h>

#include <memory>
#include <string>
#include <vector>

#include "absl/time/time.h"
#include "clients/cpp/connection.h"

namespace plumule::integration {

// A new directory that goes away with the object.
class TemporaryDirectory {
 public:
  TemporaryDirectory();
  ~TemporaryDirectory();
  TemporaryDirectory(const TemporaryDirectory&) = delete;
  TemporaryDirectory& operator=(const TemporaryDirectory&) = delete;
  const std::string& path() const { return path_; }

 private:
  std::string path_;
};

// How a program ended, and what it said.
struct Ending {
  // Exit status, or 128 + the number of the signal.
  int status = -1;
  std::string out;
  std::string err;
};

// Runs the server program to its end; for flags after which it does not serve.
Ending RunServerProgram(const std::vector<std::string>& arguments);

// Looks again and again until `condition` holds; false if that takes longer than `limit`.
template <class Condition>
bool Eventually(Condition condition, absl::Duration limit = absl::Seconds(20)) {
  const absl::Time deadline = absl::Now() + limit;
  while (!condition()) {
    if (absl::Now() > deadline) return false;
    absl::SleepFor(absl::Milliseconds(2));
  }
  return true;
}

// A server that listens. Killed with the object if it still runs.
class RunningServer {
 public:
  // Starts it on a data directory, and waits until it serves; fails the test if it does not. Port
  // 0: any free one.
  explicit RunningServer(std::string data_directory, int port = 0);
  ~RunningServer();
  RunningServer(const RunningServer&) = delete;
  RunningServer& operator=(const RunningServer&) = delete;

  const std::string& address() const { return address_; }
  int port() const;
  // What stood on standard output before the start line: the operator's key, at the first start.
  const std::string& greeting() const { return greeting_; }
  // The operator's key out of the greeting; empty if there is none.
  std::string operator_key() const;

  // A connection under a key. Retries for up to half a minute.
  std::unique_ptr<client::Connection> Connect(const std::string& key) const;

  // SIGKILL, and waits.
  void Kill();
  // SIGTERM, and waits for at most `limit`; 0 if it ended well.
  int Terminate(absl::Duration limit = absl::Seconds(30));

 private:
  bool HasEnded(int* status);

  pid_t process_ = -1;
  int out_ = -1;
  std::string address_;
  std::string greeting_;
};

}  // namespace plumule::integration
