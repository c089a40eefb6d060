#include "server/analysis/plugin_session.h"

#include <signal.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cstdlib>
#include <filesystem>
#include <system_error>
#include <thread>
#include <utility>

#include "absl/strings/escaping.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/time/clock.h"
#include "server/analysis/file_descriptor.h"
#include "server/analysis/utf8.h"

namespace plumule::analysis {
namespace {

// The longest path that fits a socket's address everywhere, as plugin.proto promises.
constexpr size_t kMaxSocketPath = 100;
// Time in which the end of a process that dropped its connection becomes known.
constexpr absl::Duration kExitNoticed = absl::Milliseconds(250);
// How often a starting plugin is asked whether it listens. gRPC alone would ask at once and then
// after a tenth of a second at the earliest, which every start would cost.
constexpr absl::Duration kKnockInterval = absl::Milliseconds(2);
constexpr size_t kMaxStatusMessage = size_t{8} << 10;

std::string OneTimeToken() {
  std::array<char, 32> bytes;
  // Fails only where there is no such call (ENOSYS): then there is no secret to be had.
  if (getentropy(bytes.data(), bytes.size()) != 0) std::abort();
  return absl::BytesToHexString(absl::string_view(bytes.data(), bytes.size()));
}

// One connection, made once the plugin listens: no retries, no proxies, nothing shared.
grpc::ChannelArguments LocalChannel(const PluginLimits& limits) {
  grpc::ChannelArguments arguments;
  arguments.SetInt(GRPC_ARG_USE_LOCAL_SUBCHANNEL_POOL, 1);
  arguments.SetInt(GRPC_ARG_ENABLE_RETRIES, 0);
  arguments.SetInt(GRPC_ARG_ENABLE_HTTP_PROXY, 0);
  arguments.SetInt(GRPC_ARG_SERVICE_CONFIG_DISABLE_RESOLUTION, 1);
  arguments.SetInt(GRPC_ARG_MAX_METADATA_SIZE, 64 << 10);
  arguments.SetMaxReceiveMessageSize(limits.message_bytes);
  arguments.SetMaxSendMessageSize(limits.message_bytes);
  return arguments;
}

std::int64_t MemoryMib(const InstalledPlugin& plugin, const PluginLimits& limits) {
  const std::int64_t wish = plugin.manifest.resources().memory_mib();
  return wish > 0 ? std::min(wish, limits.max_memory_mib) : limits.memory_mib;
}

absl::string_view CodeName(grpc::StatusCode code) {
  switch (code) {
    case grpc::StatusCode::CANCELLED:
      return "CANCELLED";
    case grpc::StatusCode::UNKNOWN:
      return "UNKNOWN";
    case grpc::StatusCode::INTERNAL:
      return "INTERNAL";
    case grpc::StatusCode::UNAVAILABLE:
      return "UNAVAILABLE";
    case grpc::StatusCode::DEADLINE_EXCEEDED:
      return "DEADLINE_EXCEEDED";
    case grpc::StatusCode::UNAUTHENTICATED:
      return "UNAUTHENTICATED";
    case grpc::StatusCode::PERMISSION_DENIED:
      return "PERMISSION_DENIED";
    case grpc::StatusCode::FAILED_PRECONDITION:
      return "FAILED_PRECONDITION";
    case grpc::StatusCode::NOT_FOUND:
      return "NOT_FOUND";
    default:
      return "an error";
  }
}

std::string MessageOf(const grpc::Status& status) {
  return std::string(Utf8Prefix(Readable(status.error_message()), kMaxStatusMessage));
}

PluginFailure Stopped() { return {v1::RUN_FAILURE_UNSPECIFIED, "was stopped"}; }

// True if something listens on the Unix-domain socket at `path`. Never waits.
bool Listens(const std::string& path) {
  sockaddr_un address = {};
  address.sun_family = AF_UNIX;
  if (path.size() >= sizeof address.sun_path) return false;
  path.copy(address.sun_path, path.size());
  const FileDescriptor knock(socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0));
  return knock.is_open() &&
         connect(knock.number(), reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0;
}

PluginFailure CouldNotStart(absl::string_view why) {
  return {v1::RUN_FAILURE_COULD_NOT_START, absl::StrCat("could not be started: ", why)};
}

}  // namespace

std::string SecondsInWords(absl::Duration duration) {
  return absl::StrCat(absl::ToDoubleSeconds(duration), " s");
}

PluginSession::PluginSession(const InstalledPlugin& plugin, const PluginLimits& limits,
                             std::stop_token stop)
    : plugin_(plugin), limits_(limits), stop_(std::move(stop)), token_(OneTimeToken()) {}

PluginSession::~PluginSession() {
  if (child_ != nullptr) child_->End(absl::ZeroDuration());
}

MaybeFailure PluginSession::Open(absl::Duration work) {
  const absl::Time deadline = absl::Now() + limits_.start;
  if (MaybeFailure failure = StartProcess(work)) return failure;
  if (MaybeFailure failure = WaitUntilItListens(deadline)) return failure;
  return Handshake(std::max(deadline - absl::Now(), absl::Milliseconds(1)));
}

MaybeFailure PluginSession::StartProcess(absl::Duration work) {
  absl::StatusOr<FileIdentity> identity = IdentifyFile(plugin_.executable);
  if (!identity.ok()) return CouldNotStart(identity.status().message());
  if (*identity != plugin_.identity) {
    return CouldNotStart(absl::StrCat(
        plugin_.executable, " has changed since the plugins were read; restart the host"));
  }
  std::error_code error;
  const std::string scratch = limits_.scratch.empty()
                                  ? std::filesystem::temp_directory_path(error).string()
                                  : limits_.scratch;
  if (error) return CouldNotStart("there is no folder for temporary files");
  absl::StatusOr<PrivateFolder> folder = PrivateFolder::MakeIn(scratch);
  if (!folder.ok()) return CouldNotStart(folder.status().message());
  folder_ = *std::move(folder);
  socket_ = absl::StrCat(folder_->path(), "/s");
  const std::string temporary = absl::StrCat(folder_->path(), "/tmp");
  if (socket_.size() > kMaxSocketPath) {
    return CouldNotStart(absl::StrCat("the path of its socket, ", socket_, ", is longer than ",
                                      kMaxSocketPath, " bytes; choose a shorter scratch folder"));
  }
  if (mkdir(temporary.c_str(), 0700) != 0) return CouldNotStart("can't make its folder");

  const auto cores = static_cast<std::int64_t>(std::max(1U, std::thread::hardware_concurrency()));
  ChildSpec spec;
  spec.executable = plugin_.executable;
  spec.environment = {"PATH=/usr/local/bin:/usr/bin:/bin", "LANG=C.UTF-8",
                      absl::StrCat("TMPDIR=", temporary),
                      absl::StrCat("PLUMULE_PLUGIN_SOCKET=", socket_),
                      absl::StrCat("PLUMULE_PLUGIN_TOKEN=", token_)};
  spec.lease_variable = "PLUMULE_PLUGIN_LEASE";
  spec.folder = temporary;
  spec.address_space_bytes =
      (MemoryMib(plugin_, limits_) + limits_.address_space_margin_mib) * (std::int64_t{1} << 20);
  spec.processor_seconds =
      absl::ToInt64Seconds(absl::Ceil(limits_.start + work, absl::Seconds(1))) * cores;
  spec.file_bytes = limits_.file_bytes;
  spec.open_files = limits_.open_files;
  spec.kept_output_bytes = limits_.kept_output_bytes;
  spec.output_bytes = limits_.output_bytes;
  absl::StatusOr<std::unique_ptr<ChildProcess>> child =
      ChildProcess::Start(spec, [this](ChildEvent event) { OnEvent(event); });
  if (!child.ok()) return CouldNotStart(child.status().message());
  child_ = *std::move(child);
  return std::nullopt;
}

MaybeFailure PluginSession::WaitUntilItListens(absl::Time deadline) {
  while (!Listens(socket_)) {
    if (stop_.stop_requested()) return Stopped();
    if (child_->output_limit_passed()) return TooMuchOutput();
    if (child_->WaitForExit(kKnockInterval)) return EndOfProcess();
    if (absl::Now() > deadline) {
      return PluginFailure{v1::RUN_FAILURE_TIMED_OUT,
                           absl::StrCat("did not listen on its socket within ",
                                        SecondsInWords(limits_.start), " of its start")};
    }
  }
  channel_ = grpc::CreateCustomChannel(absl::StrCat("unix:", socket_),
                                       grpc::InsecureChannelCredentials(), LocalChannel(limits_));
  stub_ = plugin::v1::AnalysisPluginService::NewStub(channel_);
  return std::nullopt;
}

MaybeFailure PluginSession::Handshake(absl::Duration patience) {
  plugin::v1::HandshakeRequest request;
  request.set_token(token_);
  for (const absl::string_view version : HostProtocolVersions()) {
    request.add_protocol_versions(std::string(version));
  }
  request.set_host_version(limits_.host_version);
  plugin::v1::HandshakeResponse response;
  const grpc::Status status = Make(patience, [&](auto& stub, grpc::ClientContext& context) {
    return stub.Handshake(&context, request, &response);
  });
  if (status.ok()) return CheckHandshake(response);
  MaybeFailure failure = FailureOf(status, patience);
  if (failure->cause == v1::RUN_FAILURE_TIMED_OUT) {
    failure->words = absl::StrCat("did not answer the handshake within ",
                                  SecondsInWords(limits_.start), " of its start");
  }
  if (failure->cause == v1::RUN_FAILURE_PLUGIN_DECLINED) {
    failure->cause = v1::RUN_FAILURE_VERSIONS_DO_NOT_MEET;
    failure->words = absl::StrCat("refused the handshake: ", MessageOf(status));
  }
  return failure;
}

MaybeFailure PluginSession::CheckHandshake(const plugin::v1::HandshakeResponse& response) const {
  const auto refuse = [](std::string words) {
    return PluginFailure{v1::RUN_FAILURE_VERSIONS_DO_NOT_MEET, Readable(words)};
  };
  const auto ours = HostProtocolVersions();
  if (std::find(ours.begin(), ours.end(), response.protocol_version()) == ours.end()) {
    return refuse(absl::StrCat("speaks version ", absl::StrJoin(response.protocol_versions(), ", "),
                               " of the plugin protocol and chose \"", response.protocol_version(),
                               "\"; this host speaks ", absl::StrJoin(ours, ", "),
                               ". Install a plugin or a plumule that share a version"));
  }
  const plugin::v1::Manifest& manifest = plugin_.manifest;
  if (response.plugin_id() != manifest.id() || response.plugin_version() != manifest.version()) {
    return refuse(absl::StrCat("calls itself ", response.plugin_id(), " ",
                               response.plugin_version(), ", but its manifest says ", manifest.id(),
                               " ", manifest.version(),
                               ". Install the manifest that belongs to the executable"));
  }
  return std::nullopt;
}

void PluginSession::OnEvent(ChildEvent event) {
  // What it sent before it ended may still be on its way.
  if (event != ChildEvent::kExited) Abandon();
}

void PluginSession::Abandon() {
  absl::MutexLock lock(&mutex_);
  abandoned_ = true;
  if (current_ != nullptr) current_->TryCancel();
}

grpc::Status PluginSession::Make(absl::Duration patience, const Call& call) {
  grpc::ClientContext context;
  context.set_deadline(std::chrono::system_clock::now() + absl::ToChronoMilliseconds(patience));
  {
    absl::MutexLock lock(&mutex_);
    current_ = &context;
    if (abandoned_) context.TryCancel();
  }
  grpc::Status status;
  {
    const std::stop_callback on_stop(stop_, [this] { Abandon(); });
    status = call(*stub_, context);
  }
  absl::MutexLock lock(&mutex_);
  current_ = nullptr;
  return status;
}

MaybeFailure PluginSession::Ask(absl::Duration patience, const Call& call) {
  const grpc::Status status = Make(patience, call);
  if (status.ok() && !stop_.stop_requested()) return std::nullopt;
  return FailureOf(status, patience);
}

MaybeFailure PluginSession::EndOfProcess() const {
  if (!child_->WaitForExit(kExitNoticed)) return std::nullopt;
  const ChildExit exit = *child_->exit();
  if (exit.signal == SIGXCPU || exit.signal == SIGXFSZ) {
    return PluginFailure{v1::RUN_FAILURE_LIMIT_PASSED,
                         absl::StrCat(Words(exit), ": it passed its limit of ",
                                      exit.signal == SIGXCPU ? "processor time" : "file size")};
  }
  return PluginFailure{v1::RUN_FAILURE_EXITED, absl::StrCat(Words(exit), " before it answered")};
}

PluginFailure PluginSession::TooMuchOutput() const {
  return {v1::RUN_FAILURE_LIMIT_PASSED,
          absl::StrCat("wrote more than ", limits_.output_bytes, " bytes of output")};
}

MaybeFailure PluginSession::FailureOf(const grpc::Status& status, absl::Duration patience) const {
  if (stop_.stop_requested()) return Stopped();
  if (child_->output_limit_passed()) return TooMuchOutput();
  switch (status.error_code()) {
    case grpc::StatusCode::DEADLINE_EXCEEDED:
      return PluginFailure{v1::RUN_FAILURE_TIMED_OUT,
                           absl::StrCat("did not answer within ", SecondsInWords(patience))};
    case grpc::StatusCode::INVALID_ARGUMENT:
      return PluginFailure{v1::RUN_FAILURE_PLUGIN_DECLINED,
                           absl::StrCat("can't work with what it was given: ", MessageOf(status))};
    case grpc::StatusCode::RESOURCE_EXHAUSTED:
      return PluginFailure{v1::RUN_FAILURE_LIMIT_PASSED,
                           absl::StrCat("passed a limit: ", MessageOf(status))};
    case grpc::StatusCode::UNIMPLEMENTED:
      return PluginFailure{v1::RUN_FAILURE_VERSIONS_DO_NOT_MEET,
                           absl::StrCat("lacks what its manifest promises: ", MessageOf(status))};
    case grpc::StatusCode::UNAVAILABLE:
    case grpc::StatusCode::CANCELLED:
    case grpc::StatusCode::UNKNOWN:
    case grpc::StatusCode::INTERNAL:
      if (MaybeFailure ended = EndOfProcess()) return ended;
      break;
    default:
      break;
  }
  if (status.error_code() == grpc::StatusCode::UNAVAILABLE) {
    return PluginFailure{v1::RUN_FAILURE_EXITED, "closed its connection before it answered"};
  }
  return PluginFailure{
      v1::RUN_FAILURE_PLUGIN_DECLINED,
      absl::StrCat("answered with ", CodeName(status.error_code()), ": ", MessageOf(status))};
}

void PluginSession::Close() {
  if (child_ != nullptr) child_->End(limits_.shutdown);
  stub_.reset();
  channel_.reset();
}

std::string PluginSession::output() const { return child_ == nullptr ? "" : child_->output(); }

std::vector<std::string> PluginSession::enforced() const {
  if (child_ == nullptr) return {};
  std::vector<std::string> words = child_->enforced();
  words.push_back(absl::StrCat("output: ", limits_.output_bytes, " bytes"));
  words.push_back(absl::StrCat("messages: ", limits_.received_bytes, " bytes, ",
                               limits_.progress_messages, " of progress"));
  words.push_back("environment: the variables of the plugin protocol only");
  words.push_back("not enforced: number of processes");
  words.push_back("not enforced: files and network that the host's user can reach");
  words.push_back("not enforced: total size of the files it writes");
  words.push_back("not enforced: end of descendants that leave its session");
  return words;
}

}  // namespace plumule::analysis
