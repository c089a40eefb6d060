#include "server/rpc/server.h"

#include <grpcpp/ext/proto_server_reflection_plugin.h>
#include <grpcpp/health_check_service_interface.h>
#include <grpcpp/resource_quota.h>
#include <grpcpp/security/server_credentials.h>
#include <grpcpp/server_builder.h>

#include "absl/strings/str_cat.h"
#include "absl/time/clock.h"
#include "server/protocol/reason.h"

namespace plumule::rpc {
namespace {

int Milliseconds(absl::Duration duration) {
  return static_cast<int>(absl::ToInt64Milliseconds(duration));
}

void SetLimits(const ServerOptions& options, grpc::ServerBuilder* builder) {
  builder->SetMaxReceiveMessageSize(options.request_bytes);
  builder->SetMaxSendMessageSize(options.response_bytes);
  builder->SetResourceQuota(grpc::ResourceQuota("connections").Resize(options.memory_bytes));
  builder->AddChannelArgument(GRPC_ARG_MAX_METADATA_SIZE, options.metadata_bytes);
  builder->AddChannelArgument(GRPC_ARG_MAX_CONCURRENT_STREAMS, options.calls_per_connection);
  builder->AddChannelArgument(GRPC_ARG_SERVER_HANDSHAKE_TIMEOUT_MS,
                              Milliseconds(absl::Seconds(10)));
  // A peer that is gone is noticed, and one that is idle is let go.
  builder->AddChannelArgument(GRPC_ARG_KEEPALIVE_TIME_MS, Milliseconds(absl::Minutes(1)));
  builder->AddChannelArgument(GRPC_ARG_KEEPALIVE_TIMEOUT_MS, Milliseconds(absl::Seconds(20)));
  builder->AddChannelArgument(GRPC_ARG_MAX_CONNECTION_IDLE_MS, Milliseconds(absl::Hours(1)));
  // Pings of clients: not more often than this, a few times, then the connection ends.
  builder->AddChannelArgument(GRPC_ARG_HTTP2_MIN_RECV_PING_INTERVAL_WITHOUT_DATA_MS,
                              Milliseconds(absl::Seconds(10)));
  builder->AddChannelArgument(GRPC_ARG_HTTP2_MAX_PING_STRIKES, 3);
  // Two servers on one address would share its calls by chance.
  builder->AddChannelArgument(GRPC_ARG_ALLOW_REUSEPORT, 0);
}

}  // namespace

Server::Server(const Domain& domain, const EdgeOptions& edge)
    : guard_(domain.directory),
      edge_(guard_, domain.logger, edge),
      access_(edge_, domain.directory, domain.clock),
      study_(edge_, domain.store, domain.life, domain.plugins),
      intake_(edge_, domain.intake),
      log_(edge_, domain.store, domain.intake, domain.life),
      analysis_(edge_, domain.store, domain.runs, domain.plugins) {}

absl::StatusOr<std::unique_ptr<Server>> Server::Start(const Domain& domain,
                                                      const ServerOptions& options) {
  grpc::EnableDefaultHealthCheckService(true);
  grpc::reflection::InitProtoReflectionServerBuilderPlugin();
  std::unique_ptr<Server> server(new Server(domain, options.edge));
  grpc::ServerBuilder builder;
  SetLimits(options, &builder);
  int port = 0;
  builder.AddListeningPort(options.listen, grpc::InsecureServerCredentials(), &port);
  builder.RegisterService(&server->access_);
  builder.RegisterService(&server->study_);
  builder.RegisterService(&server->intake_);
  builder.RegisterService(&server->log_);
  builder.RegisterService(&server->analysis_);
  server->server_ = builder.BuildAndStart();
  if (server->server_ == nullptr || port == 0) {
    return ReasonedError(
        absl::StatusCode::kUnavailable, "address_not_served",
        absl::StrCat("can't listen on ", options.listen,
                     ": it is in use by another program, or not an address of this "
                     "machine; choose another with --listen"));
  }
  server->address_ = absl::StrCat(options.listen.substr(0, options.listen.rfind(':')), ":", port);
  return server;
}

Server::~Server() {
  if (server_ != nullptr) Drain(absl::Seconds(1));
}

void Server::ReportFailure() { server_->GetHealthCheckService()->SetServingStatus(false); }

void Server::Drain(absl::Duration bound) {
  ReportFailure();
  edge_.calls().EndAll();
  edge_.calls().WaitUntilOver(bound);
  // Now at once: a connection that only idles would hold a patient shutdown up.
  server_->Shutdown(absl::ToChronoTime(absl::Now()));
  server_->Wait();
  server_.reset();
}

}  // namespace plumule::rpc
