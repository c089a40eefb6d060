#include "plugins/sdk/serve.h"

#include <grpcpp/grpcpp.h>
#include <unistd.h>

#include <atomic>
#include <cerrno>
#include <chrono>
#include <cstdlib>
#include <iostream>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/synchronization/mutex.h"
#include "plugins/sdk/parameters.h"
#include "plumule/plugin/v1/plugin.grpc.pb.h"

namespace plumule::sdk {
namespace {

constexpr std::size_t kMaxSocketPath = 100;
constexpr int kMaxReceivedBytes = 64 << 20;  // a chunk of 65,536 rows of many columns
constexpr int kMaxSentBytes = 20 << 20;      // a result has 16 MiB at most

grpc::Status ToGrpc(const absl::Status& status) {
  return {static_cast<grpc::StatusCode>(status.code()), std::string(status.message())};
}

// Collects the messages of Analyze, in the order that the protocol demands.
class AnalyzeRequestReader {
 public:
  absl::Status Add(plugin::v1::AnalyzeRequest& request) {
    using plugin::v1::AnalyzeRequest;
    switch (request.message_case()) {
      case AnalyzeRequest::kSetup:
        return AddSetup(request);
      case AnalyzeRequest::kUnits:
        if (!has_setup_ || units_) return OutOfOrder("the schema of the units");
        return Open(request.units(), "units", units_);
      case AnalyzeRequest::kUnitsChunk:
        if (!units_ || looks_) return OutOfOrder("a chunk of units");
        return units_->Add(request.units_chunk());
      case AnalyzeRequest::kLooks:
        if (!units_ || looks_) return OutOfOrder("the schema of the looks");
        return Open(request.looks(), "looks", looks_);
      case AnalyzeRequest::kLooksChunk:
        if (!looks_) return OutOfOrder("a chunk of looks");
        return looks_->Add(request.looks_chunk());
      default:
        return absl::InvalidArgumentError("an empty message came");
    }
  }

  absl::StatusOr<AnalysisInput> Finish() && {
    if (!units_)
      return absl::InvalidArgumentError("the stream ended before the units' schema came");
    auto units = std::move(*units_).Finish();
    if (!units.ok()) return units.status();
    input_.units = *std::move(units);
    if (looks_) {
      auto looks = std::move(*looks_).Finish();
      if (!looks.ok()) return looks.status();
      input_.looks = *std::move(looks);
    }
    return std::move(input_);
  }

 private:
  static absl::Status OutOfOrder(absl::string_view what) {
    return absl::InvalidArgumentError(absl::StrCat(
        what, " came out of order; send setup, units, their chunks, looks, their chunks"));
  }

  static absl::Status Open(const analysis::v1::DatasetSchema& schema, absl::string_view what,
                           std::optional<TableReader>& reader) {
    auto opened = TableReader::Make(schema, what);
    if (!opened.ok()) return opened.status();
    reader = *std::move(opened);
    return absl::OkStatus();
  }

  absl::Status AddSetup(plugin::v1::AnalyzeRequest& request) {
    if (has_setup_) return OutOfOrder("a second setup");
    has_setup_ = true;
    input_.setup.Swap(request.mutable_setup());
    return absl::OkStatus();
  }

  bool has_setup_ = false;
  AnalysisInput input_;
  std::optional<TableReader> units_;
  std::optional<TableReader> looks_;
};

constexpr std::int64_t kMostPlannedBlocks = 1'000'000;
constexpr double kUsualPower = 0.8;
constexpr std::int32_t kUsualReplicates = 1000;

// The request with its defaults, or what is wrong with it.
absl::StatusOr<plugin::v1::PlanRequest> WithDefaults(plugin::v1::PlanRequest request) {
  if (request.power() == 0) request.set_power(kUsualPower);
  if (request.replicates() == 0) request.set_replicates(kUsualReplicates);
  if (!(request.power() > 0.5 && request.power() < 1)) {
    return absl::InvalidArgumentError("the wanted power must lie above 0.5 and below 1");
  }
  if (request.blocks() < 0 || request.blocks() > kMostPlannedBlocks) {
    return absl::InvalidArgumentError(
        absl::StrCat("the number of blocks must lie between 0 and ", kMostPlannedBlocks));
  }
  if (request.replicates() < 100 || request.replicates() > 100'000) {
    return absl::InvalidArgumentError(
        "the number of simulated studies must lie between 100 and 100000");
  }
  return request;
}

const study::v1::Analysis* FindAnalysis(const study::v1::Protocol& protocol, absl::string_view id) {
  for (const auto& analysis : protocol.analyses()) {
    if (analysis.id() == id) return &analysis;
  }
  return nullptr;
}

class PluginService final : public plugin::v1::AnalysisPluginService::Service {
 public:
  PluginService(Plugin plugin, plugin::v1::Manifest manifest, std::string token)
      : plugin_(std::move(plugin)), manifest_(std::move(manifest)), token_(std::move(token)) {}

  grpc::Status Handshake(grpc::ServerContext*, const plugin::v1::HandshakeRequest* request,
                         plugin::v1::HandshakeResponse* response) override {
    if (request->token() != token_) {
      return {grpc::StatusCode::PERMISSION_DENIED,
              "the token is not the one this plugin was started with"};
    }
    *response->mutable_protocol_versions() = manifest_.protocol_versions();
    response->set_plugin_id(manifest_.id());
    response->set_plugin_version(manifest_.version());
    for (const std::string& offered : request->protocol_versions()) {
      if (offered == kProtocolVersion) response->set_protocol_version(offered);
    }
    if (!response->protocol_version().empty()) shaken_ = true;
    return grpc::Status::OK;
  }

  grpc::Status Describe(grpc::ServerContext*, const plugin::v1::DescribeRequest*,
                        plugin::v1::DescribeResponse* response) override {
    if (!shaken_) return HandshakeFirst();
    *response->mutable_manifest() = manifest_;
    return grpc::Status::OK;
  }

  grpc::Status CheckProtocol(grpc::ServerContext*, const plugin::v1::CheckProtocolRequest* request,
                             plugin::v1::CheckProtocolResponse* response) override {
    if (!shaken_) return HandshakeFirst();
    const auto* analysis = FindAnalysis(request->protocol(), request->analysis());
    if (analysis == nullptr) {
      return {grpc::StatusCode::INVALID_ARGUMENT,
              absl::StrCat("the protocol has no analysis \"", request->analysis(), "\"")};
    }
    AddParameterProblems(*analysis, *response);
    if (plugin_.check_protocol) {
      for (auto& problem : plugin_.check_protocol(request->protocol(), *analysis)) {
        *response->add_problems() = std::move(problem);
      }
    }
    return grpc::Status::OK;
  }

  grpc::Status Analyze(grpc::ServerContext*,
                       grpc::ServerReaderWriter<plugin::v1::AnalyzeResponse,
                                                plugin::v1::AnalyzeRequest>* stream) override {
    if (!shaken_) return HandshakeFirst();
    if (!plugin_.analyze) {
      return {grpc::StatusCode::UNIMPLEMENTED, absl::StrCat(manifest_.id(), " does not analyze")};
    }
    absl::MutexLock lock(&work_);
    AnalyzeRequestReader reader;
    plugin::v1::AnalyzeRequest request;
    while (stream->Read(&request)) {
      if (auto status = reader.Add(request); !status.ok()) return ToGrpc(status);
    }
    auto input = std::move(reader).Finish();
    if (!input.ok()) return ToGrpc(input.status());
    return Answer<plugin::v1::AnalyzeResponse>(
        [&](const Progress& progress) { return plugin_.analyze(manifest_, *input, progress); },
        [&](const auto& response) { stream->Write(response); });
  }

  grpc::Status Plan(grpc::ServerContext*, const plugin::v1::PlanRequest* request,
                    grpc::ServerWriter<plugin::v1::PlanResponse>* writer) override {
    if (!shaken_) return HandshakeFirst();
    if (!plugin_.plan) {
      return {grpc::StatusCode::UNIMPLEMENTED, absl::StrCat(manifest_.id(), " does not plan")};
    }
    const auto complete = WithDefaults(*request);
    if (!complete.ok()) return ToGrpc(complete.status());
    absl::MutexLock lock(&work_);
    return Answer<plugin::v1::PlanResponse>(
        [&](const Progress& progress) { return plugin_.plan(manifest_, *complete, progress); },
        [&](const auto& response) { writer->Write(response); });
  }

  grpc::Status Synthesize(grpc::ServerContext*, const plugin::v1::SynthesizeRequest* request,
                          grpc::ServerWriter<plugin::v1::SynthesizeResponse>* writer) override {
    if (!shaken_) return HandshakeFirst();
    if (!plugin_.synthesize) {
      return {grpc::StatusCode::UNIMPLEMENTED,
              absl::StrCat(manifest_.id(), " does not synthesize")};
    }
    absl::MutexLock lock(&work_);
    return Answer<plugin::v1::SynthesizeResponse>(
        [&](const Progress& progress) { return plugin_.synthesize(manifest_, *request, progress); },
        [&](const auto& response) { writer->Write(response); });
  }

 private:
  static grpc::Status HandshakeFirst() {
    return {grpc::StatusCode::FAILED_PRECONDITION, "the first call must be Handshake"};
  }

  void AddParameterProblems(const study::v1::Analysis& analysis,
                            plugin::v1::CheckProtocolResponse& response) const {
    for (const ParameterProblem& found : CheckParameters(manifest_, analysis.parameters())) {
      study::v1::Problem& problem = *response.add_problems();
      problem.set_path(
          absl::StrCat("analyses[", analysis.id(), "].parameters[", found.parameter, "]"));
      problem.set_reason("bad_parameter");
      problem.set_what(absl::StrCat("The parameter ", found.parameter, " ", found.what, "."));
      problem.set_why("The plugin can't run with it.");
      problem.set_remedy("Correct the value, or leave the parameter out to take its default.");
    }
  }

  // Runs `work` and writes its progress and its result.
  template <typename Response, typename Work, typename Write>
  static grpc::Status Answer(const Work& work, const Write& write) {
    const Progress progress = [&write](double fraction, absl::string_view doing) {
      Response response;
      response.mutable_progress()->set_fraction(fraction);
      response.mutable_progress()->set_doing(std::string(doing));
      write(response);
    };
    absl::StatusOr<analysis::v1::Result> result = work(progress);
    if (!result.ok()) return ToGrpc(result.status());
    Response response;
    *response.mutable_result() = *std::move(result);
    write(response);
    return grpc::Status::OK;
  }

  const Plugin plugin_;
  const plugin::v1::Manifest manifest_;
  const std::string token_;
  std::atomic<bool> shaken_ = false;
  absl::Mutex work_;  // one piece of work at a time
};

class ListeningServer final : public PluginServer {
 public:
  ListeningServer(Plugin plugin, plugin::v1::Manifest manifest, std::string token)
      : service_(std::move(plugin), std::move(manifest), std::move(token)) {}

  ~ListeningServer() override {
    if (server_) server_->Shutdown(std::chrono::system_clock::now());
  }

  absl::Status Listen(const std::string& socket_path) {
    grpc::ServerBuilder builder;
    int bound = 0;
    builder.AddListeningPort(absl::StrCat("unix:", socket_path), grpc::InsecureServerCredentials(),
                             &bound);
    builder.SetMaxReceiveMessageSize(kMaxReceivedBytes);
    builder.SetMaxSendMessageSize(kMaxSentBytes);
    builder.RegisterService(&service_);
    server_ = builder.BuildAndStart();
    if (server_) return absl::OkStatus();
    return absl::UnavailableError(absl::StrCat("can't listen on the socket ", socket_path));
  }

 private:
  PluginService service_;
  std::unique_ptr<grpc::Server> server_;
};

// Blocks until the host has closed its end of the lease.
void AwaitEndOfLease(int descriptor) {
  char byte = 0;
  while (true) {
    const ssize_t got = read(descriptor, &byte, 1);
    if (got == 0 || (got < 0 && errno != EINTR)) return;
  }
}

std::string FromEnvironment(const char* name) {
  const char* value = std::getenv(name);
  return value == nullptr ? "" : value;
}

}  // namespace

absl::StatusOr<std::unique_ptr<PluginServer>> PluginServer::Listen(const Plugin& plugin,
                                                                   const std::string& socket_path,
                                                                   const std::string& token) {
  if (socket_path.empty() || socket_path.size() > kMaxSocketPath) {
    return absl::InvalidArgumentError(
        absl::StrCat("the socket path must have 1 to ", kMaxSocketPath, " bytes"));
  }
  if (token.empty()) return absl::InvalidArgumentError("the token is empty");
  auto manifest = ParseManifest(plugin.manifest_json);
  if (!manifest.ok()) return manifest.status();
  auto server = std::make_unique<ListeningServer>(plugin, *std::move(manifest), token);
  if (auto status = server->Listen(socket_path); !status.ok()) return status;
  return server;
}

int Serve(const Plugin& plugin) {
  int lease = -1;
  if (!absl::SimpleAtoi(FromEnvironment("PLUMULE_PLUGIN_LEASE"), &lease) || lease < 0) {
    std::cerr << "This program is a plumule plugin: plumule starts it and passes "
                 "PLUMULE_PLUGIN_SOCKET, PLUMULE_PLUGIN_TOKEN and PLUMULE_PLUGIN_LEASE.\n";
    return 2;
  }
  auto server = PluginServer::Listen(plugin, FromEnvironment("PLUMULE_PLUGIN_SOCKET"),
                                     FromEnvironment("PLUMULE_PLUGIN_TOKEN"));
  if (!server.ok()) {
    std::cerr << server.status().message() << "\n";
    return 2;
  }
  AwaitEndOfLease(lease);
  std::cout.flush();
  std::cerr.flush();
  // Work that still goes on is of no use to anyone: leave at once, without waiting for it.
  std::_Exit(0);
}

}  // namespace plumule::sdk
