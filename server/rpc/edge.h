// What every service method does around its own work: admit, run where waiting is allowed, answer.
#pragma once

#include <grpcpp/server_context.h>
#include <grpcpp/support/server_callback.h>
#include <spdlog/logger.h>

#include <functional>
#include <memory>
#include <optional>
#include <stop_token>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "server/access/guard.h"
#include "server/access/method_table.h"
#include "server/rpc/open_calls.h"
#include "server/rpc/worker_pool.h"

namespace plumule::rpc {

// Limits of the edge's own queues.
struct EdgeOptions {
  // Threads that read the store for a call: short work.
  int reader_threads = 4;
  std::size_t queued_reads = 4096;
  // Threads for what may take seconds: publishing, freezing, plugins' questions.
  int worker_threads = 4;
  std::size_t queued_work = 256;
};

// A unary call that is being worked on. Deletes itself when the call is done.
class UnaryCall : public grpc::ServerUnaryReactor {
 public:
  explicit UnaryCall(OpenCalls& calls) : ticket_(calls) {}
  // Asked to stop once the client went away or its deadline passed.
  std::stop_token stop_token() const { return stop_.get_token(); }

 private:
  void OnCancel() override { stop_.request_stop(); }
  void OnDone() override { delete this; }

  OpenCalls::Ticket ticket_;
  std::stop_source stop_;
};

// Thread-safe. gRPC's threads never wait in here.
class Edge {
 public:
  // Neither `guard` nor `logger` is owned.
  Edge(const access::Guard& guard, spdlog::logger& logger, const EdgeOptions& options);

  // Fills the response; runs on a thread that may wait, and stops early if it can when asked to.
  using Work = std::function<absl::Status(const access::Admission&, std::stop_token)>;
  using Resource = std::optional<access::RequestedResource>;

  // Admits the call, then runs `work` among the short ones, and answers.
  grpc::ServerUnaryReactor* Read(grpc::CallbackServerContext* context,
                                 const access::MethodRule& rule, const Resource& resource,
                                 Work work);
  // The same among those that may take seconds.
  grpc::ServerUnaryReactor* Do(grpc::CallbackServerContext* context, const access::MethodRule& rule,
                               const Resource& resource, Work work);

  // Admission alone, for streams and for calls that are answered from elsewhere. Also UNAVAILABLE
  // (`server_stopping`).
  absl::StatusOr<access::Admission> Admit(const grpc::ServerContextBase& context,
                                          const access::MethodRule& rule,
                                          const Resource& resource) const;

  // Whether a stream that was admitted before may go on: its key may have been revoked since. A
  // server that is stopping lets it finish.
  absl::Status Recheck(const grpc::ServerContextBase& context, const access::MethodRule& rule,
                       const Resource& resource) const;

  // A reactor that answers with an error at once.
  grpc::ServerUnaryReactor* Refuse(const access::MethodRule& rule, const absl::Status& error);

  // `status` for the client; what it must not see goes to the log.
  grpc::Status Answer(const access::MethodRule& rule, const absl::Status& status) const;

  // Runs short work; false if too much of it waits.
  [[nodiscard]] bool AddRead(std::function<void()> work) { return readers_.Add(std::move(work)); }

  OpenCalls& calls() { return calls_; }

 private:
  grpc::ServerUnaryReactor* Run(WorkerPool& pool, grpc::CallbackServerContext* context,
                                const access::MethodRule& rule, const Resource& resource,
                                Work work);

  const access::Guard& guard_;
  spdlog::logger& logger_;
  OpenCalls calls_;
  // Last, so that they end first: what they run uses the rest.
  WorkerPool readers_;
  WorkerPool workers_;
};

// RESOURCE_EXHAUSTED (`server_busy`) with a time to wait.
absl::Status ServerBusy();

// UNAVAILABLE (`server_stopping`) with a time to wait.
absl::Status ServerStopping();

}  // namespace plumule::rpc
