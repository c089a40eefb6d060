// Runs of analyses on the server: queued fairly, executed by a few threads, stored, cached.
//
// A result is a function of (dataset digest, plugin digest, analysis with defaults, seed), and is
// stored under that key within its study: asking again is answered from there.
// Threads: all methods are safe from any thread. CreateRun, Get and the lists read or write the
// store; WaitFor blocks.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "absl/time/time.h"
#include "plumule/analysis/v1/analysis_service.pb.h"
#include "plumule/plugin/v1/plugin.pb.h"
#include "server/analysis/dataset_source.h"
#include "server/analysis/plugin_catalog.h"
#include "server/analysis/plugin_limits.h"
#include "server/analysis/run_store.h"
#include "server/store/store.h"

namespace plumule::analysis {

// What is needed to run one analysis of one freeze.
struct PreparedAnalysis {
  // SHA-256 of the frozen dataset, lower-case hexadecimal.
  std::string dataset_digest;
  // Definition, analysis as declared, counts. The seed is set by Runs.
  plugin::v1::AnalysisSetup setup;
  // Opens the dataset when its turn has come. Called at most once, from a worker's thread.
  std::function<absl::StatusOr<std::unique_ptr<DatasetSource>>()> open;
};

// Finds the freeze and the analysis of its study's newest protocol; `freeze` has the form of a
// freeze's name. NOT_FOUND with a reason if either isn't there. Must be thread-safe and must not
// call Runs.
using PrepareAnalysis = std::function<absl::StatusOr<PreparedAnalysis>(absl::string_view freeze,
                                                                       absl::string_view analysis)>;

// How Runs works.
struct RunsOptions {
  // Threads that execute: plugins that run at the same time.
  int workers = 2;
  // Most runs of one community that wait.
  int queued_per_community = 20;
  // Most runs of all communities that wait.
  int queued_in_all = 1000;
  // Limits of each plugin process.
  PluginLimits limits;
  // Stored with each result.
  std::string plumule_version;
};

// Seed of the randomness of one analysis of one dataset: the first 8 bytes (big-endian, sign bit
// cleared) of SHA-256("plumule seed 1\n" dataset_digest "\n" analysis_id "\n"). So the same data
// and question have the same digits on every server.
std::int64_t DeriveSeed(absl::string_view dataset_digest, absl::string_view analysis_id);

// The queue, its workers and what they stored.
class Runs {
 public:
  // Ends every run that was queued or running when the last server stopped, as failed with
  // SERVER_STOPPED, and starts the workers. `store` must outlive this. `clock` gives the time of
  // creation and end. Errors of the store are passed on.
  static absl::StatusOr<std::unique_ptr<Runs>> Open(store::Store* store,
                                                    std::shared_ptr<const PluginCatalog> catalog,
                                                    PrepareAnalysis prepare,
                                                    std::function<absl::Time()> clock,
                                                    RunsOptions options);
  // Stops.
  ~Runs();
  Runs(const Runs&) = delete;
  Runs& operator=(const Runs&) = delete;

  // Queues a run, or answers with one that has its result already. The `request_id` becomes the id
  // of the run: the same one within a study gives the same run; with another freeze or analysis:
  // ALREADY_EXISTS `request_id_reused`. INVALID_ARGUMENT `request_id_not_valid`, `name_not_valid`;
  // errors of prepare and of PluginCatalog::Choose;
  // RESOURCE_EXHAUSTED `run_queue_full` with a time to wait; UNAVAILABLE `server_stopping`.
  absl::StatusOr<v1::Run> CreateRun(const v1::CreateRunRequest& request);

  // A run. NOT_FOUND `run_not_found`.
  absl::StatusOr<v1::Run> Get(absl::string_view name) const;

  // A run once it has ended, or as it stands at `deadline`. Blocks: not for a thread that must
  // react.
  absl::StatusOr<v1::Run> WaitFor(absl::string_view name, absl::Time deadline) const;

  // Ends a run that has not ended. Waits until it has, at most for the shutdown limit of plugins
  // and five seconds.
  absl::StatusOr<v1::Run> Cancel(absl::string_view name);

  // Runs of a study, newest first. `page_size`: 0 means 100, above 1000 means 1000, negative is
  // INVALID_ARGUMENT `page_size_not_valid`; a token that is not from here: `page_token_not_valid`.
  absl::StatusOr<Page<v1::Run>> List(absl::string_view study, int page_size,
                                     absl::string_view page_token) const;

  // A stored result. NOT_FOUND `result_not_found`.
  absl::StatusOr<v1::StoredResult> GetResult(absl::string_view name) const;

  // Results of a study without their bodies, newest first.
  absl::StatusOr<Page<v1::StoredResult>> ListResults(absl::string_view study, int page_size,
                                                     absl::string_view page_token) const;

  // Takes no more runs, ends those that wait or run as failed with SERVER_STOPPED, and joins the
  // workers. Idempotent.
  void Stop();

 private:
  class Implementation;
  explicit Runs(std::unique_ptr<Implementation> implementation);
  std::unique_ptr<Implementation> implementation_;
};

}  // namespace plumule::analysis
