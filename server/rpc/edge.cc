#include "server/rpc/edge.h"

#include <string>
#include <utility>

#include "absl/time/time.h"
#include "server/protocol/reason.h"
#include "server/rpc/error.h"

namespace plumule::rpc {
namespace {

// The value of the `authorization` metadata, if there is exactly one.
std::optional<absl::string_view> AuthorizationOf(const grpc::ServerContextBase& context) {
  const auto [first, last] = context.client_metadata().equal_range("authorization");
  if (first == last || std::next(first) != last) return std::nullopt;
  return absl::string_view(first->second.data(), first->second.size());
}

}  // namespace

absl::Status ServerBusy() {
  return WithRetryAfter(
      ReasonedError(absl::StatusCode::kResourceExhausted, "server_busy",
                    "the server has more to do than it can hold; try again in a moment"),
      absl::Milliseconds(500));
}

absl::Status ServerStopping() {
  return WithRetryAfter(ReasonedError(absl::StatusCode::kUnavailable, "server_stopping",
                                      "the server is stopping; try again when it is back"),
                        absl::Seconds(1));
}

Edge::Edge(const access::Guard& guard, spdlog::logger& logger, const EdgeOptions& options)
    : guard_(guard),
      logger_(logger),
      readers_(options.reader_threads, options.queued_reads),
      workers_(options.worker_threads, options.queued_work) {}

absl::StatusOr<access::Admission> Edge::Admit(const grpc::ServerContextBase& context,
                                              const access::MethodRule& rule,
                                              const Resource& resource) const {
  if (calls_.ending()) return ServerStopping();
  return guard_.Admit(&rule, AuthorizationOf(context), resource);
}

absl::Status Edge::Recheck(const grpc::ServerContextBase& context, const access::MethodRule& rule,
                           const Resource& resource) const {
  return guard_.Admit(&rule, AuthorizationOf(context), resource).status();
}

grpc::Status Edge::Answer(const access::MethodRule& rule, const absl::Status& status) const {
  // Nobody reads the answer of a call that was given up.
  if (absl::IsCancelled(status)) return grpc::Status::CANCELLED;
  if (!status.ok() && ReasonOf(status).empty()) {
    logger_.error("{}: {}", std::string(rule.method), status.ToString());
  }
  return ToGrpcStatus(status);
}

grpc::ServerUnaryReactor* Edge::Refuse(const access::MethodRule& rule, const absl::Status& error) {
  auto* call = new UnaryCall(calls_);
  call->Finish(Answer(rule, error));
  return call;
}

grpc::ServerUnaryReactor* Edge::Run(WorkerPool& pool, grpc::CallbackServerContext* context,
                                    const access::MethodRule& rule, const Resource& resource,
                                    Work work) {
  absl::StatusOr<access::Admission> admission = Admit(*context, rule, resource);
  if (!admission.ok()) return Refuse(rule, admission.status());
  auto* call = new UnaryCall(calls_);
  const bool added = pool.Add(
      [this, call, context, &rule, work = std::move(work), admitted = *std::move(admission)] {
        if (context->IsCancelled()) {
          call->Finish(grpc::Status::CANCELLED);
          return;
        }
        call->Finish(Answer(rule, work(admitted, call->stop_token())));
      });
  if (!added) call->Finish(Answer(rule, ServerBusy()));
  return call;
}

grpc::ServerUnaryReactor* Edge::Read(grpc::CallbackServerContext* context,
                                     const access::MethodRule& rule, const Resource& resource,
                                     Work work) {
  return Run(readers_, context, rule, resource, std::move(work));
}

grpc::ServerUnaryReactor* Edge::Do(grpc::CallbackServerContext* context,
                                   const access::MethodRule& rule, const Resource& resource,
                                   Work work) {
  return Run(workers_, context, rule, resource, std::move(work));
}

}  // namespace plumule::rpc
