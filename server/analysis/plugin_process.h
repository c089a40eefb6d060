// One plugin process, one piece of work: start it, shake hands, ask, end it.
//
// Each function starts a process of its own, waits for its answer and leaves nothing behind: when
// it returns, the process and all others of its process group are gone and its private folder is
// deleted. (A descendant that moved itself to another session outlives the kill of the group; its
// limits of processor time and memory go with it. `enforced` says so.)
//
// All functions block; any number of threads may call them at the same time. No global state. They
// make threads of their own. A gRPC program may call them: nothing is forked without an exec.
#pragma once

#include <functional>
#include <stop_token>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "plumule/analysis/v1/analysis_service.pb.h"
#include "plumule/analysis/v1/result.pb.h"
#include "plumule/plugin/v1/plugin.pb.h"
#include "server/analysis/dataset_source.h"
#include "server/analysis/plugin_catalog.h"
#include "server/analysis/plugin_limits.h"

namespace plumule::analysis {

// What came out of one process.
template <typename Answer>
struct PluginOutcome {
  // The answer, or why there is none, in plain words with the end of the plugin's output.
  // CANCELLED if the caller stopped it.
  absl::StatusOr<Answer> answer = absl::UnknownError("no answer");
  // The cause if there is no answer; RUN_FAILURE_UNSPECIFIED if there is one, or if it was stopped.
  // RUN_FAILURE_SERVER_FAULT if the dataset could not be read.
  v1::RunFailure failure = v1::RUN_FAILURE_UNSPECIFIED;
  // Standard output and error, bounded, UTF-8; a note stands where something was left out.
  std::string output;
  // Which limits were enforced, and which could not be, in words.
  std::vector<std::string> enforced;
};

// Told of the plugin's progress: fraction within 0 and 1, and what it is doing (at most 200 bytes).
// Called from one other thread while the call lasts; must not block.
using ProgressListener = std::function<void(double fraction, absl::string_view doing)>;

// Analyses one dataset. The result has been checked (result_check.h). `data` is read from another
// thread while the call lasts, at most once. `stop` ends the work early.
PluginOutcome<v1::Result> Analyze(const InstalledPlugin& plugin,
                                  const plugin::v1::AnalysisSetup& setup, DatasetSource& data,
                                  const PluginLimits& limits, std::stop_token stop = {},
                                  const ProgressListener& on_progress = {});

// Plans a study of which there are no data yet. The result has been checked.
PluginOutcome<v1::Result> Plan(const InstalledPlugin& plugin,
                               const plugin::v1::PlanRequest& request, const PluginLimits& limits,
                               std::stop_token stop = {}, const ProgressListener& on_progress = {});

// Pools studies. The result has been checked.
PluginOutcome<v1::Result> Synthesize(const InstalledPlugin& plugin,
                                     const plugin::v1::SynthesizeRequest& request,
                                     const PluginLimits& limits, std::stop_token stop = {},
                                     const ProgressListener& on_progress = {});

// Asks whether an analysis could run on data of a definition.
PluginOutcome<plugin::v1::CheckProtocolResponse> CheckProtocol(
    const InstalledPlugin& plugin, const plugin::v1::CheckProtocolRequest& request,
    const PluginLimits& limits, std::stop_token stop = {});

// Asks for the manifest that is compiled in; fails with VERSIONS_DO_NOT_MEET if it is not the one
// in the file.
PluginOutcome<plugin::v1::Manifest> AskManifest(const InstalledPlugin& plugin,
                                                const PluginLimits& limits,
                                                std::stop_token stop = {});

}  // namespace plumule::analysis
