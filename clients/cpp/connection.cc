#include "clients/cpp/connection.h"

#include <grpcpp/create_channel.h>
#include <grpcpp/security/credentials.h>
#include <grpcpp/support/channel_arguments.h>

#include <algorithm>
#include <utility>

#include "absl/strings/str_cat.h"
#include "clients/cpp/error.h"

namespace plumule::client {
namespace {

// A result with its figures may be this large, and some.
constexpr int kLargestAnswer = 32 * 1024 * 1024;

// How long each retry waits for the connection to come back, beside its back-off.
constexpr absl::Duration kReconnectPatience = absl::Seconds(1);

std::shared_ptr<grpc::Channel> OpenChannel(const std::string& address) {
  grpc::ChannelArguments arguments;
  arguments.SetMaxReceiveMessageSize(kLargestAnswer);
  // The library's own back-off starts at a second, too long for a server that restarts. The
  // "minimum" is in fact how long one attempt to connect may take.
  arguments.SetInt(GRPC_ARG_INITIAL_RECONNECT_BACKOFF_MS, 20);
  arguments.SetInt(GRPC_ARG_MAX_RECONNECT_BACKOFF_MS, 1000);
  arguments.SetInt(GRPC_ARG_MIN_RECONNECT_BACKOFF_MS, 5000);
  // Connections of one program to several servers, or under several keys, share nothing.
  arguments.SetInt(GRPC_ARG_USE_LOCAL_SUBCHANNEL_POOL, 1);
  return grpc::CreateCustomChannel(address, grpc::InsecureChannelCredentials(), arguments);
}

template <class... Stubs>
void MakeStubs(const std::shared_ptr<grpc::Channel>& channel,
               std::tuple<std::unique_ptr<Stubs>...>& stubs) {
  ((std::get<std::unique_ptr<Stubs>>(stubs) = std::make_unique<Stubs>(channel)), ...);
}

}  // namespace

Connection::Connection(ConnectionOptions options)
    : options_(std::move(options)), channel_(OpenChannel(options_.address)) {
  MakeStubs(channel_, stubs_);
}

void Connection::Authorize(grpc::ClientContext* context) const {
  if (!options_.key.empty()) context->AddMetadata("authorization", "Bearer " + options_.key);
}

absl::Status Connection::WaitUntilReachable(absl::Duration timeout) {
  const absl::Time deadline = absl::Now() + timeout;
  if (channel_->WaitForConnected(absl::ToChronoTime(deadline))) return absl::OkStatus();
  return absl::UnavailableError(absl::StrCat("no server answers at ", options_.address, " within ",
                                             absl::FormatDuration(timeout),
                                             "; check the address and that the server runs"));
}

absl::Status Connection::Once(const Attempt& attempt) const {
  grpc::ClientContext context;
  Authorize(&context);
  context.set_deadline(absl::ToChronoTime(absl::Now() + options_.call_timeout));
  return StatusOf(attempt(&context));
}

absl::Status Connection::StatusOf(const grpc::Status& status) const {
  const absl::Status error = FromGrpc(status);
  if (!absl::IsUnavailable(error) || !Reason(error).empty()) return error;
  return absl::UnavailableError(absl::StrCat("no answer from the server at ", options_.address,
                                             "; check the address and that the server runs (",
                                             error.message(), ")"));
}

absl::Status Connection::Repeat(const Attempt& attempt) const {
  BackOff back_off(options_.back_off, options_.uniform);
  while (true) {
    const absl::Status status = Once(attempt);
    if (status.ok() || !back_off.MayRetry(status)) return status;
    WaitToRetry(back_off.Next(status));
  }
}

void Connection::WaitToRetry(absl::Duration wait) const {
  options_.sleep(wait);
  // A lost connection is mended only while someone waits for it: calls fail at once without.
  channel_->WaitForConnected(absl::ToChronoTime(absl::Now() + kReconnectPatience));
}

}  // namespace plumule::client
