// A plugin for tests, by raw gRPC, without the SDK. It behaves as the name of its executable says:
// `well-behaved`, or in one of the ways in which a plugin can fail its host.
#include <fcntl.h>
#include <grpcpp/grpcpp.h>
#include <signal.h>
#include <sys/socket.h>
#include <unistd.h>

#include <atomic>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <limits>
#include <map>
#include <string>
#include <thread>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plumule/plugin/v1/plugin.grpc.pb.h"

extern char** environ;

namespace {

using plumule::analysis::v1::Estimate;
using plumule::analysis::v1::Result;
namespace plugin = plumule::plugin::v1;

[[noreturn]] void HangForever() {
  while (true) pause();
}

void SayProcessId() {
  std::printf("process %d\n", static_cast<int>(getpid()));
  std::fflush(stdout);
}

// Units by arm, and all that was received.
struct Received {
  plugin::AnalysisSetup setup;
  std::int64_t units = 0;
  std::int64_t looks = 0;
  std::vector<std::string> arms;
  std::map<std::string, std::int64_t> units_of;
  int arm_column = -1;
};

void TakeUnits(const plumule::analysis::v1::DatasetChunk& chunk, Received* received) {
  received->units += chunk.rows();
  if (received->arm_column < 0) return;
  const auto& column = chunk.columns(received->arm_column);
  for (const std::string& arm : column.dictionary()) received->arms.push_back(arm);
  for (const int code : column.codes()) {
    ++received->units_of[received->arms.at(static_cast<size_t>(code))];
  }
}

void Take(const plugin::AnalyzeRequest& request, Received* received) {
  switch (request.message_case()) {
    case plugin::AnalyzeRequest::kSetup:
      received->setup = request.setup();
      return;
    case plugin::AnalyzeRequest::kUnits:
      for (int i = 0; i < request.units().columns_size(); ++i) {
        if (request.units().columns(i).name() == "arm") received->arm_column = i;
      }
      return;
    case plugin::AnalyzeRequest::kUnitsChunk:
      return TakeUnits(request.units_chunk(), received);
    case plugin::AnalyzeRequest::kLooksChunk:
      received->looks += request.looks_chunk().rows();
      return;
    default:
      return;
  }
}

Result GoodResult(const Received& received) {
  Result result;
  result.set_status(plumule::analysis::v1::RESULT_STATUS_ANSWERED);
  Estimate* estimate = result.add_estimates();
  estimate->set_id("units_all");
  estimate->set_measure("units");
  estimate->set_method("count");
  estimate->set_value(static_cast<double>(received.units));
  estimate->set_standard_error(std::sqrt(static_cast<double>(received.units)));
  estimate->set_scale("linear");
  estimate->set_unit("1");
  estimate->set_standing(plumule::analysis::v1::STANDING_PRIMARY);
  estimate->set_units(received.units);
  for (const auto& [arm, units] : received.units_of) {
    Estimate* one = result.add_estimates();
    *one = result.estimates(0);
    one->set_id(absl::StrCat("units_", arm));
    one->set_arm(arm);
    one->set_value(static_cast<double>(units));
    one->set_standing(plumule::analysis::v1::STANDING_DESCRIPTIVE);
  }
  auto* sentence = result.add_findings();
  sentence->set_text(absl::StrCat("There are ", received.units, " units."));
  auto* quote = sentence->add_quotes();
  quote->set_shown(absl::StrCat(received.units));
  quote->set_source("units_all");
  quote->set_field(plumule::analysis::v1::QUOTED_FIELD_VALUE);
  result.set_method_statement(absl::StrCat("Counted, with the seed ", received.setup.seed(),
                                           " and ", received.looks, " looks."));
  return result;
}

// What a process can see of its surroundings, one line a thing.
Result Surroundings() {
  Result result;
  result.set_status(plumule::analysis::v1::RESULT_STATUS_CANNOT_ANSWER);
  auto* warning = result.add_warnings();
  warning->set_reason("surroundings");
  std::string seen;
  for (char** variable = environ; *variable != nullptr; ++variable) {
    absl::StrAppend(&seen, "variable ",
                    std::string(*variable).substr(0, std::strcspn(*variable, "=")), "\n");
  }
  for (const auto& entry : std::filesystem::directory_iterator("/proc/self/fd")) {
    std::error_code error;
    const auto target = std::filesystem::read_symlink(entry.path(), error);
    if (!error)
      absl::StrAppend(&seen, "descriptor ", entry.path().filename().string(), " ", target.string(),
                      "\n");
  }
  std::ifstream status("/proc/self/status");
  for (std::string line; std::getline(status, line);) {
    if (line.rfind("NoNewPrivs", 0) == 0) absl::StrAppend(&seen, line, "\n");
  }
  absl::StrAppend(&seen, "temporary ", std::getenv("TMPDIR"), "\n");
  absl::StrAppend(&seen, "group leader ", getpgrp() == getpid() ? "yes" : "no", "\n");
  warning->set_message(seen);
  return result;
}

class TestPlugin final : public plugin::AnalysisPluginService::Service {
 public:
  explicit TestPlugin(std::string behavior) : behavior_(std::move(behavior)) {}

  std::atomic<bool> answered{false};

  grpc::Status Handshake(grpc::ServerContext*, const plugin::HandshakeRequest* request,
                         plugin::HandshakeResponse* response) override {
    if (Is("hangs-in-handshake")) HangForever();
    if (Is("dies-in-handshake")) std::_Exit(7);
    const bool right_token = request->token() == std::getenv("PLUMULE_PLUGIN_TOKEN");
    if (!right_token || Is("refuses-token")) {
      return {grpc::StatusCode::UNAUTHENTICATED, "this is not the token that I was given"};
    }
    response->add_protocol_versions(Is("other-version") ? "7" : "1");
    response->set_protocol_version(Is("other-version") ? "" : "1");
    response->set_plugin_id(Is("other-id") ? "someone-else" : behavior_);
    response->set_plugin_version("1.0.0");
    return grpc::Status::OK;
  }

  grpc::Status Describe(grpc::ServerContext*, const plugin::DescribeRequest*,
                        plugin::DescribeResponse* response) override {
    plugin::Manifest& manifest = *response->mutable_manifest();
    manifest.set_id(behavior_);
    manifest.set_version("1.0.0");
    manifest.set_executable(behavior_);
    manifest.add_protocol_versions("1");
    manifest.add_capabilities(plugin::CAPABILITY_ANALYZE);
    manifest.add_capabilities(plugin::CAPABILITY_SYNTHESIZE);
    manifest.add_capabilities(plugin::CAPABILITY_PLAN);
    if (Is("describes-itself-otherwise")) manifest.set_summary("Something else");
    return grpc::Status::OK;
  }

  grpc::Status CheckProtocol(grpc::ServerContext*, const plugin::CheckProtocolRequest* request,
                             plugin::CheckProtocolResponse* response) override {
    auto* problem = response->add_problems();
    problem->set_path(absl::StrCat("analyses[", request->analysis(), "]"));
    problem->set_reason("asked");
    return grpc::Status::OK;
  }

  grpc::Status Analyze(
      grpc::ServerContext*,
      grpc::ServerReaderWriter<plugin::AnalyzeResponse, plugin::AnalyzeRequest>* stream) override {
    if (Is("hangs-in-analyze")) HangForever();
    if (Is("dies-by-signal")) {
      signal(SIGSEGV, SIG_DFL);  // a sanitizer has a handler of its own
      raise(SIGSEGV);
    }
    if (Is("declines")) {
      return {grpc::StatusCode::INVALID_ARGUMENT, "no unit has an arm\nname an arm for each"};
    }
    if (Is("fails-inside")) return {grpc::StatusCode::INTERNAL, "the matrix is singular"};
    if (Is("floods-progress")) return FloodProgress(stream);
    if (Is("closes-early")) return CloseEarly();
    if (Is("writes-a-huge-file")) WriteHugeFile();
    if (Is("eats-memory")) EatMemory();
    Received received;
    plugin::AnalyzeRequest request;
    while (stream->Read(&request)) Take(request, &received);
    plugin::AnalyzeResponse response;
    response.mutable_progress()->set_fraction(0.5);
    response.mutable_progress()->set_doing("counting");
    stream->Write(response);
    if (Is("no-result")) return grpc::Status::OK;
    *response.mutable_result() = Distort(GoodResult(received));
    stream->Write(response);
    if (Is("two-results")) stream->Write(response);
    answered = true;
    return grpc::Status::OK;
  }

  grpc::Status Plan(grpc::ServerContext*, const plugin::PlanRequest* request,
                    grpc::ServerWriter<plugin::PlanResponse>* writer) override {
    plugin::PlanResponse response;
    response.mutable_progress()->set_fraction(0.5);
    response.mutable_progress()->set_doing("supposing");
    writer->Write(response);
    Received received;
    received.units = request->blocks();
    *response.mutable_result() = Distort(GoodResult(received));
    writer->Write(response);
    return grpc::Status::OK;
  }

  grpc::Status Synthesize(grpc::ServerContext*, const plugin::SynthesizeRequest* request,
                          grpc::ServerWriter<plugin::SynthesizeResponse>* writer) override {
    if (Is("cannot-pool")) return {grpc::StatusCode::UNIMPLEMENTED, ""};
    Received received;
    received.units = request->studies_size();
    plugin::SynthesizeResponse response;
    *response.mutable_result() = GoodResult(received);
    writer->Write(response);
    return grpc::Status::OK;
  }

 private:
  bool Is(const char* behavior) const { return behavior_ == behavior; }

  static grpc::Status FloodProgress(
      grpc::ServerReaderWriter<plugin::AnalyzeResponse, plugin::AnalyzeRequest>* stream) {
    plugin::AnalyzeResponse response;
    response.mutable_progress()->set_doing("the same thing again");
    while (stream->Write(response)) {
    }
    return grpc::Status::OK;
  }

  // Drops every connection and lives on.
  static grpc::Status CloseEarly() {
    for (int number = 4; number < 256; ++number) shutdown(number, SHUT_RDWR);
    HangForever();
  }

  static void WriteHugeFile() {
    std::ofstream file(absl::StrCat(std::getenv("TMPDIR"), "/huge"));
    const std::string block(1 << 20, 'x');
    while (file.write(block.data(), static_cast<std::streamsize>(block.size())).flush()) {
    }
  }

  // Ends the process where memory ends: gRPC would turn the exception into a status.
  static void EatMemory() noexcept {
    std::vector<std::vector<char>> eaten;
    while (true) eaten.emplace_back(16 << 20, 'x');
  }

  Result Distort(Result result) const {
    Estimate& first = *result.mutable_estimates(0);
    if (Is("nan-result")) first.set_value(std::numeric_limits<double>::quiet_NaN());
    if (Is("oversize-result")) {
      result.mutable_tables()->Reserve(400);
      for (int i = 0; i < 400; ++i) result.add_warnings()->set_message(std::string(50000, 'x'));
    }
    if (Is("url-figure")) {
      auto* figure = result.add_figures();
      figure->set_id("figure");
      figure->set_title("Figure");
      figure->set_text_alternative("A figure.");
      figure->set_vega_lite(R"({"mark":"bar","data":{"url":"https://example.org/data.json"}})");
    }
    if (Is("drifting-quote")) result.mutable_findings(0)->set_text("There are 999 units.");
    if (Is("drifting-quote")) result.mutable_findings(0)->mutable_quotes(0)->set_shown("999");
    if (Is("tells-surroundings")) return Surroundings();
    return result;
  }

  const std::string behavior_;
};

}  // namespace

int main(int, char** arguments) {
  const std::string behavior = std::filesystem::path(arguments[0]).filename();
  SayProcessId();
  if (behavior == "exits-at-once") {
    std::fprintf(stderr, "the license file is missing\n");
    return 3;
  }
  if (behavior == "hangs-before-listening") HangForever();
  if (behavior == "floods-output") {
    const std::string line(4096, 'x');
    while (write(STDOUT_FILENO, line.data(), line.size()) > 0) {
    }
  }
  if (behavior == "talks-much") {
    for (int i = 0; i < 20000; ++i) std::printf("line %d of a long story\n", i);
    std::fflush(stdout);
  }
  if (behavior == "leaves-a-child") {
    const pid_t child = fork();
    if (child == 0) HangForever();
  }

  TestPlugin service(behavior);
  grpc::ServerBuilder builder;
  builder.AddListeningPort(absl::StrCat("unix:", std::getenv("PLUMULE_PLUGIN_SOCKET")),
                           grpc::InsecureServerCredentials());
  builder.SetMaxReceiveMessageSize(17 << 20);
  builder.SetMaxSendMessageSize(64 << 20);
  builder.RegisterService(&service);
  const std::unique_ptr<grpc::Server> server = builder.BuildAndStart();
  if (server == nullptr) return 4;

  if (behavior == "ignores-lease") {
    signal(SIGTERM, SIG_IGN);
    HangForever();
  }
  if (behavior == "exits-after-answer") {
    while (!service.answered) usleep(1000);
    std::_Exit(0);
  }
  const int lease = std::atoi(std::getenv("PLUMULE_PLUGIN_LEASE"));
  char byte;
  while (read(lease, &byte, 1) > 0) {
  }
  std::_Exit(0);
}
