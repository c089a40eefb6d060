#include "plugins/sdk/serve.h"

#include <gmock/gmock.h>
#include <grpcpp/grpcpp.h>
#include <gtest/gtest.h>
#include <poll.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <cstdlib>
#include <filesystem>
#include <functional>
#include <limits>
#include <string>
#include <thread>

#include "absl/strings/str_cat.h"
#include "plugins/sdk/result_builder.h"
#include "plumule/plugin/v1/plugin.grpc.pb.h"

namespace plumule::sdk {
namespace {

using plugin::v1::AnalysisPluginService;
using plugin::v1::AnalyzeRequest;
using ::testing::HasSubstr;

constexpr char kManifest[] = R"({"id": "counter", "version": "1.2.3", "executable": "counter",
  "protocolVersions": ["1"],
  "parameters": [{"variable": {"id": "days", "number": {"unit": "d"}}}]})";

// A folder of its own, short enough for a socket's path; removed at the end.
class Folder {
 public:
  Folder() {
    std::string pattern = (std::filesystem::temp_directory_path() / "plu.XXXXXX").string();
    path_ = mkdtemp(pattern.data());
  }
  ~Folder() { std::filesystem::remove_all(path_); }
  std::string Socket() const { return absl::StrCat(path_, "/s"); }

 private:
  std::string path_;
};

class Host {
 public:
  explicit Host(const std::string& socket) {
    grpc::ChannelArguments arguments;
    arguments.SetInt(GRPC_ARG_MIN_RECONNECT_BACKOFF_MS, 20);
    arguments.SetInt(GRPC_ARG_MAX_RECONNECT_BACKOFF_MS, 20);
    arguments.SetInt(GRPC_ARG_INITIAL_RECONNECT_BACKOFF_MS, 20);
    channel_ = grpc::CreateCustomChannel(absl::StrCat("unix:", socket),
                                         grpc::InsecureChannelCredentials(), arguments);
    stub_ = AnalysisPluginService::NewStub(channel_);
  }

  grpc::Status Handshake(const std::string& token, const std::string& version,
                         plugin::v1::HandshakeResponse* response = nullptr) {
    grpc::ClientContext context;
    context.set_wait_for_ready(true);
    context.set_deadline(std::chrono::system_clock::now() + std::chrono::seconds(20));
    plugin::v1::HandshakeRequest request;
    request.set_token(token);
    request.add_protocol_versions(version);
    plugin::v1::HandshakeResponse ignored;
    return stub_->Handshake(&context, request, response != nullptr ? response : &ignored);
  }

  grpc::Status Describe(plugin::v1::DescribeResponse* response) {
    grpc::ClientContext context;
    return stub_->Describe(&context, {}, response);
  }

  // Sends the messages; the last response is kept.
  grpc::Status Analyze(const std::vector<AnalyzeRequest>& requests,
                       std::vector<plugin::v1::AnalyzeResponse>* responses) {
    grpc::ClientContext context;
    auto stream = stub_->Analyze(&context);
    for (const AnalyzeRequest& request : requests) {
      if (!stream->Write(request)) break;
    }
    stream->WritesDone();
    plugin::v1::AnalyzeResponse response;
    while (stream->Read(&response)) responses->push_back(response);
    return stream->Finish();
  }

  AnalysisPluginService::Stub& stub() { return *stub_; }

 private:
  std::shared_ptr<grpc::Channel> channel_;
  std::unique_ptr<AnalysisPluginService::Stub> stub_;
};

absl::StatusOr<analysis::v1::Result> Count(const plugin::v1::Manifest&, const AnalysisInput& input,
                                           const Progress& progress) {
  if (input.units.rows() == 3) return absl::InvalidArgumentError("three is too few\nand odd");
  progress(0.25, "counting");
  ResultBuilder builder;
  builder.Warn("counted", absl::StrCat(input.units.rows(), " units"));
  builder.Say("Counted.");
  return builder.Finish(analysis::v1::RESULT_STATUS_CANNOT_ANSWER);
}

// Says what was asked, and nothing about studies.
absl::StatusOr<analysis::v1::Result> Echo(const plugin::v1::Manifest&,
                                          const plugin::v1::PlanRequest& request,
                                          const Progress& progress) {
  progress(0.5, "planning");
  ResultBuilder builder;
  builder.Warn("asked", absl::StrCat(request.blocks(), " blocks, power ", request.power(), ", ",
                                     request.replicates(), " replicates"));
  builder.Say("Planned.");
  return builder.Finish(analysis::v1::RESULT_STATUS_CANNOT_ANSWER);
}

AnalyzeRequest MainSetup() {
  AnalyzeRequest request;
  request.mutable_setup()->mutable_analysis()->set_id("main");
  return request;
}

AnalyzeRequest Units(int rows) {
  AnalyzeRequest request;
  auto& column = *request.mutable_units()->add_columns();
  column.set_name("height");
  column.set_type(analysis::v1::COLUMN_TYPE_NUMBER);
  request.mutable_units()->set_rows(rows);
  return request;
}

AnalyzeRequest UnitsChunk(int rows) {
  AnalyzeRequest request;
  auto& chunk = *request.mutable_units_chunk();
  chunk.set_rows(rows);
  auto& column = *chunk.add_columns();
  for (int i = 0; i < rows; ++i) column.add_numbers(i);
  return request;
}

class PluginServerTest : public ::testing::Test {
 protected:
  PluginServerTest() : host_(folder_.Socket()) {
    auto server = PluginServer::Listen({.manifest_json = kManifest, .analyze = Count, .plan = Echo},
                                       folder_.Socket(), "secret");
    EXPECT_TRUE(server.ok()) << server.status();
    server_ = *std::move(server);
  }

  grpc::Status AnalyzeAfterHandshake(const std::vector<AnalyzeRequest>& requests) {
    EXPECT_TRUE(host_.Handshake("secret", "1").ok());
    return host_.Analyze(requests, &responses_);
  }

  Folder folder_;
  std::unique_ptr<PluginServer> server_;
  Host host_;
  std::vector<plugin::v1::AnalyzeResponse> responses_;
};

TEST_F(PluginServerTest, RefusesEverythingBeforeTheHandshake) {
  plugin::v1::DescribeResponse description;
  EXPECT_EQ(host_.Describe(&description).error_code(), grpc::StatusCode::FAILED_PRECONDITION);
  EXPECT_EQ(host_.Analyze({MainSetup()}, &responses_).error_code(),
            grpc::StatusCode::FAILED_PRECONDITION);
  {
    grpc::ClientContext context;
    plugin::v1::CheckProtocolResponse response;
    EXPECT_EQ(host_.stub().CheckProtocol(&context, {}, &response).error_code(),
              grpc::StatusCode::FAILED_PRECONDITION);
  }
  grpc::ClientContext context;
  auto reader = host_.stub().Synthesize(&context, {});
  plugin::v1::SynthesizeResponse response;
  EXPECT_FALSE(reader->Read(&response));
  EXPECT_EQ(reader->Finish().error_code(), grpc::StatusCode::FAILED_PRECONDITION);
}

TEST_F(PluginServerTest, RefusesAnotherToken) {
  EXPECT_EQ(host_.Handshake("guess", "1").error_code(), grpc::StatusCode::PERMISSION_DENIED);
  plugin::v1::DescribeResponse description;
  EXPECT_EQ(host_.Describe(&description).error_code(), grpc::StatusCode::FAILED_PRECONDITION);
}

TEST_F(PluginServerTest, SaysItsVersionsWhenNoneIsCommon) {
  plugin::v1::HandshakeResponse response;
  EXPECT_TRUE(host_.Handshake("secret", "99", &response).ok());
  EXPECT_EQ(response.protocol_version(), "");
  EXPECT_EQ(response.protocol_versions(0), "1");
  plugin::v1::DescribeResponse description;
  EXPECT_EQ(host_.Describe(&description).error_code(), grpc::StatusCode::FAILED_PRECONDITION);
}

TEST_F(PluginServerTest, DescribesItselfByItsManifest) {
  plugin::v1::HandshakeResponse response;
  ASSERT_TRUE(host_.Handshake("secret", "1", &response).ok());
  EXPECT_EQ(response.plugin_id(), "counter");
  EXPECT_EQ(response.plugin_version(), "1.2.3");
  plugin::v1::DescribeResponse description;
  ASSERT_TRUE(host_.Describe(&description).ok());
  EXPECT_EQ(description.manifest().SerializeAsString(),
            ParseManifest(kManifest)->SerializeAsString());
}

TEST_F(PluginServerTest, SendsProgressAndThenOneResult) {
  ASSERT_TRUE(AnalyzeAfterHandshake({MainSetup(), Units(5), UnitsChunk(2), UnitsChunk(3)}).ok());
  ASSERT_EQ(responses_.size(), 2u);
  EXPECT_EQ(responses_[0].progress().doing(), "counting");
  EXPECT_EQ(responses_[1].result().warnings(0).message(), "5 units");
}

TEST_F(PluginServerTest, TakesLooksAfterUnits) {
  AnalyzeRequest looks;
  *looks.mutable_looks() = Units(1).units();
  AnalyzeRequest looks_chunk;
  *looks_chunk.mutable_looks_chunk() = UnitsChunk(1).units_chunk();
  EXPECT_TRUE(AnalyzeAfterHandshake({MainSetup(), Units(0), looks, looks_chunk}).ok());
}

TEST_F(PluginServerTest, HandsOnWhatTheUserCanMend) {
  const auto status = AnalyzeAfterHandshake({MainSetup(), Units(3), UnitsChunk(3)});
  EXPECT_EQ(status.error_code(), grpc::StatusCode::INVALID_ARGUMENT);
  EXPECT_EQ(status.error_message(), "three is too few\nand odd");
}

TEST_F(PluginServerTest, RefusesMessagesOutOfOrder) {
  for (const auto& requests :
       std::vector<std::vector<AnalyzeRequest>>{{Units(1)},
                                                {MainSetup(), MainSetup()},
                                                {MainSetup(), UnitsChunk(1)},
                                                {MainSetup(), Units(1), Units(1)},
                                                {AnalyzeRequest()}}) {
    EXPECT_EQ(AnalyzeAfterHandshake(requests).error_code(), grpc::StatusCode::INVALID_ARGUMENT);
  }
}

TEST_F(PluginServerTest, RefusesStreamsThatEndTooSoon) {
  EXPECT_THAT(AnalyzeAfterHandshake({MainSetup()}).error_message(), HasSubstr("ended before"));
  EXPECT_THAT(AnalyzeAfterHandshake({MainSetup(), Units(2), UnitsChunk(1)}).error_message(),
              HasSubstr("2 rows were announced, 1 came"));
}

TEST_F(PluginServerTest, SaysThatItDoesNotSynthesize) {
  ASSERT_TRUE(host_.Handshake("secret", "1").ok());
  grpc::ClientContext context;
  auto reader = host_.stub().Synthesize(&context, {});
  plugin::v1::SynthesizeResponse response;
  EXPECT_FALSE(reader->Read(&response));
  EXPECT_EQ(reader->Finish().error_code(), grpc::StatusCode::UNIMPLEMENTED);
}

TEST_F(PluginServerTest, PlansWithTheUsualPowerAndReplicatesWhereNoneAreAsked) {
  ASSERT_TRUE(host_.Handshake("secret", "1").ok());
  grpc::ClientContext context;
  plugin::v1::PlanRequest request;
  request.set_blocks(40);
  auto reader = host_.stub().Plan(&context, request);
  plugin::v1::PlanResponse response;
  ASSERT_TRUE(reader->Read(&response));
  EXPECT_EQ(response.progress().doing(), "planning");
  ASSERT_TRUE(reader->Read(&response));
  EXPECT_EQ(response.result().warnings(0).message(), "40 blocks, power 0.8, 1000 replicates");
  EXPECT_FALSE(reader->Read(&response));
  EXPECT_TRUE(reader->Finish().ok());
}

TEST_F(PluginServerTest, RefusesToPlanWithPowerBlocksOrReplicatesThatMakeNoSense) {
  ASSERT_TRUE(host_.Handshake("secret", "1").ok());
  const auto refusal = [&](auto change) {
    plugin::v1::PlanRequest request;
    change(request);
    grpc::ClientContext context;
    auto reader = host_.stub().Plan(&context, request);
    plugin::v1::PlanResponse response;
    EXPECT_FALSE(reader->Read(&response));
    const grpc::Status status = reader->Finish();
    EXPECT_EQ(status.error_code(), grpc::StatusCode::INVALID_ARGUMENT);
    return status.error_message();
  };
  const double nan = std::numeric_limits<double>::quiet_NaN();
  for (const double power : {0.5, 1.0, -0.1, nan}) {
    EXPECT_THAT(refusal([&](auto& request) { request.set_power(power); }), HasSubstr("power"));
  }
  for (const std::int64_t blocks : {std::int64_t{-1}, std::int64_t{1} << 40}) {
    EXPECT_THAT(refusal([&](auto& request) { request.set_blocks(blocks); }), HasSubstr("blocks"));
  }
  for (const int replicates : {-5, 99, 100'001}) {
    EXPECT_THAT(refusal([&](auto& request) { request.set_replicates(replicates); }),
                HasSubstr("simulated studies"));
  }
}

TEST_F(PluginServerTest, ChecksParametersOfProtocols) {
  ASSERT_TRUE(host_.Handshake("secret", "1").ok());
  plugin::v1::CheckProtocolRequest request;
  request.set_analysis("main");
  auto& analysis = *request.mutable_protocol()->add_analyses();
  analysis.set_id("main");
  auto& parameter = *analysis.add_parameters();
  parameter.set_name("weeks");
  parameter.mutable_value()->set_count(1);
  grpc::ClientContext context;
  plugin::v1::CheckProtocolResponse response;
  ASSERT_TRUE(host_.stub().CheckProtocol(&context, request, &response).ok());
  ASSERT_EQ(response.problems_size(), 1);
  EXPECT_EQ(response.problems(0).path(), "analyses[main].parameters[weeks]");
  EXPECT_EQ(response.problems(0).reason(), "bad_parameter");
}

TEST(PluginServer, RefusesPathsThatNoSocketTakes) {
  const Plugin plugin = {.manifest_json = kManifest, .analyze = Count};
  EXPECT_FALSE(PluginServer::Listen(plugin, std::string(101, 'x'), "t").ok());
  EXPECT_FALSE(PluginServer::Listen(plugin, "", "t").ok());
  EXPECT_FALSE(PluginServer::Listen(plugin, "/nowhere/at/all/s", "t").ok());
}

// --- the process around it ---

// The test plugin as a host starts it.
class PluginProcess {
 public:
  explicit PluginProcess(const std::string& socket) {
    int lease[2];
    if (pipe(lease) != 0) std::abort();
    id_ = fork();
    if (id_ == 0) {
      close(lease[1]);
      const std::string socket_variable = absl::StrCat("PLUMULE_PLUGIN_SOCKET=", socket);
      const std::string lease_variable = absl::StrCat("PLUMULE_PLUGIN_LEASE=", lease[0]);
      const char* environment[] = {socket_variable.c_str(), "PLUMULE_PLUGIN_TOKEN=secret",
                                   lease_variable.c_str(), nullptr};
      const char* arguments[] = {PLUMULE_TEST_PLUGIN, nullptr};
      execve(PLUMULE_TEST_PLUGIN, const_cast<char**>(arguments), const_cast<char**>(environment));
      _exit(127);
    }
    close(lease[0]);
    lease_ = lease[1];
  }
  ~PluginProcess() {
    CloseLease();
    if (!exit_status_) {
      kill(id_, SIGKILL);
      waitpid(id_, nullptr, 0);
    }
  }

  void CloseLease() {
    if (lease_ >= 0) close(lease_);
    lease_ = -1;
  }

  // The exit status, or −1 if it still runs after `limit`.
  int AwaitExit(std::chrono::milliseconds limit) {
    const auto deadline = std::chrono::steady_clock::now() + limit;
    int status = 0;
    while (std::chrono::steady_clock::now() < deadline) {
      if (waitpid(id_, &status, WNOHANG) == id_) {
        exit_status_ = true;
        return WIFEXITED(status) ? WEXITSTATUS(status) : 1000 + WTERMSIG(status);
      }
      poll(nullptr, 0, 1);
    }
    return -1;
  }

 private:
  pid_t id_ = 0;
  int lease_ = -1;
  bool exit_status_ = false;
};

// More than the protocol's one second: what is tested is that it ends at all, on a busy machine
// too.
constexpr std::chrono::milliseconds kPatience{10'000};

TEST(ServedPlugin, AnswersAndExitsWhenTheLeaseEnds) {
  Folder folder;
  PluginProcess process(folder.Socket());
  Host host(folder.Socket());
  ASSERT_TRUE(host.Handshake("secret", "1").ok());
  std::vector<plugin::v1::AnalyzeResponse> responses;
  ASSERT_TRUE(host.Analyze({MainSetup(), Units(2), UnitsChunk(2)}, &responses).ok());
  EXPECT_EQ(responses.back().result().findings(0).text(), "There are 2 units.");
  process.CloseLease();
  EXPECT_EQ(process.AwaitExit(kPatience), 0);
}

TEST(ServedPlugin, ExitsInTheMiddleOfItsWorkWhenTheLeaseEnds) {
  Folder folder;
  PluginProcess process(folder.Socket());
  Host host(folder.Socket());
  ASSERT_TRUE(host.Handshake("secret", "1").ok());
  grpc::ClientContext context;
  auto stream = host.stub().Analyze(&context);
  AnalyzeRequest endless = MainSetup();
  endless.mutable_setup()->mutable_analysis()->set_id("endless");
  stream->Write(endless);
  stream->Write(Units(0));
  stream->WritesDone();
  plugin::v1::AnalyzeResponse response;
  ASSERT_TRUE(stream->Read(&response));  // it works now
  process.CloseLease();
  EXPECT_EQ(process.AwaitExit(kPatience), 0);
  EXPECT_FALSE(stream->Read(&response));
  EXPECT_FALSE(stream->Finish().ok());
}

TEST(ServedPlugin, SaysWhatItIsWhenStartedByHand) {
  EXPECT_EQ(WEXITSTATUS(std::system(PLUMULE_TEST_PLUGIN " 2>/dev/null")), 2);
}

}  // namespace
}  // namespace plumule::sdk
