// A conversation with one plugin process: start, handshake, calls, end.
#pragma once

#include <grpcpp/grpcpp.h>

#include <functional>
#include <memory>
#include <optional>
#include <stop_token>
#include <string>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/strings/string_view.h"
#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"
#include "plumule/analysis/v1/analysis_service.pb.h"
#include "plumule/plugin/v1/plugin.grpc.pb.h"
#include "server/analysis/child_process.h"
#include "server/analysis/plugin_catalog.h"
#include "server/analysis/plugin_limits.h"
#include "server/analysis/private_folder.h"

namespace plumule::analysis {

// Why a conversation gave no answer.
struct PluginFailure {
  // RUN_FAILURE_UNSPECIFIED: the caller stopped it.
  v1::RunFailure cause = v1::RUN_FAILURE_UNSPECIFIED;
  // A sentence without the name of the plugin: "was killed by signal SEGV before it answered".
  std::string words;
};

// Absent: all is well.
using MaybeFailure = std::optional<PluginFailure>;

// "10 s", "0.25 s".
std::string SecondsInWords(absl::Duration duration);

// One process and one channel to it. Used by one thread, which must outlive it; watches from
// others.
class PluginSession {
 public:
  // Makes a call of the plugin with this context.
  using Call =
      std::function<grpc::Status(plugin::v1::AnalysisPluginService::Stub&, grpc::ClientContext&)>;

  // Nothing happens before Open. The arguments must outlive it.
  PluginSession(const InstalledPlugin& plugin, const PluginLimits& limits, std::stop_token stop);
  // Closes without patience.
  ~PluginSession();

  // Starts the process for a piece of work of at most `work`, and shakes hands.
  MaybeFailure Open(absl::Duration work);

  // Makes one call; it ends at `patience`, when the process ends, or when the caller stops it.
  MaybeFailure Ask(absl::Duration patience, const Call& call);

  // Ends the process. Idempotent.
  void Close();

  // Standard output and error so far.
  std::string output() const;
  // Which limits hold, in words.
  std::vector<std::string> enforced() const;

 private:
  MaybeFailure StartProcess(absl::Duration work);
  MaybeFailure WaitUntilItListens(absl::Time deadline);
  MaybeFailure Handshake(absl::Duration patience);
  MaybeFailure CheckHandshake(const plugin::v1::HandshakeResponse& response) const;
  void OnEvent(ChildEvent event);
  // Stops the call in progress, and every later one.
  void Abandon();
  // Does what `call` does, within its time.
  grpc::Status Make(absl::Duration patience, const Call& call);
  MaybeFailure FailureOf(const grpc::Status& status, absl::Duration patience) const;
  MaybeFailure EndOfProcess() const;
  PluginFailure TooMuchOutput() const;

  const InstalledPlugin& plugin_;
  const PluginLimits& limits_;
  const std::stop_token stop_;
  const std::string token_;

  std::optional<PrivateFolder> folder_;
  std::string socket_;
  std::shared_ptr<grpc::Channel> channel_;
  std::unique_ptr<plugin::v1::AnalysisPluginService::Stub> stub_;

  absl::Mutex mutex_;
  // The call in progress.
  grpc::ClientContext* current_ ABSL_GUARDED_BY(mutex_) = nullptr;
  bool abandoned_ ABSL_GUARDED_BY(mutex_) = false;

  // Before `child_`'s thread they must exist, so it is declared last.
  std::unique_ptr<ChildProcess> child_;
};

}  // namespace plumule::analysis
