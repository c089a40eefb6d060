// The services on one address.
#pragma once

#include <grpcpp/server.h>
#include <spdlog/logger.h>

#include <functional>
#include <memory>
#include <string>

#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "server/access/directory.h"
#include "server/access/guard.h"
#include "server/analysis/plugin_catalog.h"
#include "server/analysis/runs.h"
#include "server/intake/intake.h"
#include "server/intake/study_life.h"
#include "server/rpc/access_service.h"
#include "server/rpc/analysis_service.h"
#include "server/rpc/edge.h"
#include "server/rpc/intake_service.h"
#include "server/rpc/log_service.h"
#include "server/rpc/study_service.h"
#include "server/store/store.h"

namespace plumule::rpc {

// What the services call. Nothing is owned; all must outlive the server.
struct Domain {
  store::Store& store;
  access::Directory& directory;
  intake::Intake& intake;
  intake::StudyLife& life;
  analysis::Runs& runs;
  const analysis::PluginCatalog& plugins;
  std::function<absl::Time()> clock;
  spdlog::logger& logger;
};

// Limits of the connection layer; what a client meets when it passes one is in brackets.
struct ServerOptions {
  // "HOST:PORT"; port 0: any free one.
  std::string listen;
  // Largest request message [RESOURCE_EXHAUSTED]: a batch of 4 MiB and what is around it.
  int request_bytes = (4 << 20) + (64 << 10);
  // Largest answer [RESOURCE_EXHAUSTED]: a result of 16 MiB and what is around it.
  int response_bytes = 17 << 20;
  // Metadata of a request [RESOURCE_EXHAUSTED].
  int metadata_bytes = 16 << 10;
  // Calls at a time of one connection [further ones wait in the client].
  int calls_per_connection = 1024;
  // Memory of all connections together [new ones are refused, reading slows down].
  std::size_t memory_bytes = std::size_t{512} << 20;
  // Calls at the server's edge.
  EdgeOptions edge;
};

// Serves from Start until Drain. Health (grpc.health.v1) and reflection are on.
class Server {
 public:
  // UNAVAILABLE (`address_not_served`) in words if the address can't be had.
  static absl::StatusOr<std::unique_ptr<Server>> Start(const Domain& domain,
                                                       const ServerOptions& options);
  // Drains within a second if that was not done.
  ~Server();
  Server(const Server&) = delete;
  Server& operator=(const Server&) = delete;

  // "HOST:PORT" with the port that was chosen.
  const std::string& address() const { return address_; }

  // Turns health to NOT_SERVING; calls go on being answered.
  void ReportFailure();

  // Health turns to NOT_SERVING; new calls are answered with `server_stopping`; streams are asked
  // to end, other calls may finish; after `bound` what is left is cancelled. Returns when all calls
  // are over. Once.
  void Drain(absl::Duration bound);

 private:
  explicit Server(const Domain& domain, const EdgeOptions& edge);

  access::Guard guard_;
  // Services before the edge's threads end: these run what services ask for.
  Edge edge_;
  AccessService access_;
  StudyService study_;
  IntakeService intake_;
  LogService log_;
  AnalysisService analysis_;
  std::string address_;
  std::unique_ptr<grpc::Server> server_;
};

}  // namespace plumule::rpc
