// A connection to one server under one key.
//
//   client::Connection server({.address = "127.0.0.1:7413", .key = key});
//   study::v1::GetStudyRequest request;
//   request.set_name("communities/balcony/studies/basil");
//   auto answer = server.Call(&study::v1::StudyService::Stub::GetStudy, request);
//   if (!answer.ok()) std::cerr << client::Explain(answer.status()) << '\n';
#pragma once

#include <grpcpp/channel.h>
#include <grpcpp/client_context.h>

#include <functional>
#include <memory>
#include <string>
#include <tuple>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/time/time.h"
#include "clients/cpp/back_off.h"
#include "plumule/access/v1/access_service.grpc.pb.h"
#include "plumule/analysis/v1/analysis_service.grpc.pb.h"
#include "plumule/intake/v1/intake_service.grpc.pb.h"
#include "plumule/study/v1/study_service.grpc.pb.h"

namespace plumule::client {

// How to reach a server.
struct ConnectionOptions {
  // "HOST:PORT".
  std::string address;
  // The key; empty for none.
  std::string key;
  // Each attempt of a unary call ends after this time. Streams have no limit of their own.
  absl::Duration call_timeout = absl::Seconds(60);
  // Retries of calls that may be repeated.
  BackOffOptions back_off = {};
  // Waiting between attempts; tests pass their own.
  std::function<void(absl::Duration)> sleep = absl::SleepFor;
  // Numbers from 0 up to but without 1, for the jitter of waits.
  std::function<double()> uniform = SystemUniform;
};

// Connects when first used and again when the connection broke. Thread-safe.
class Connection {
 public:
  explicit Connection(ConnectionOptions options);

  // Calls a unary method and repeats it while the error is transient (see IsTransient), with
  // growing waits. For reading, and for whatever carries an id made by the client: records, and
  // requests with a `request_id`. `method` is `&Service::Stub::Method`.
  template <class Stub, class Request, class Response>
  absl::StatusOr<Response> Call(grpc::Status (Stub::*method)(grpc::ClientContext*, const Request&,
                                                             Response*),
                                const Request& request) {
    Response response;
    const absl::Status status = Repeat([&](grpc::ClientContext* context) {
      response.Clear();
      return (Of<Stub>().*method)(context, request, &response);
    });
    if (!status.ok()) return status;
    return response;
  }

  // Calls a unary method once. For what must not be repeated blindly: making communities, keys and
  // studies.
  template <class Stub, class Request, class Response>
  absl::StatusOr<Response> CallOnce(grpc::Status (Stub::*method)(grpc::ClientContext*,
                                                                 const Request&, Response*),
                                    const Request& request) {
    Response response;
    const absl::Status status = Once([&](grpc::ClientContext* context) {
      return (Of<Stub>().*method)(context, request, &response);
    });
    if (!status.ok()) return status;
    return response;
  }

  // The stub of one service, for streams: `Of<intake::v1::LogService::Stub>()`.
  template <class Stub>
  Stub& Of() {
    return *std::get<std::unique_ptr<Stub>>(stubs_);
  }

  // FromGrpc, with words of ours where the server could not be reached at all.
  absl::Status StatusOf(const grpc::Status& status) const;

  // Puts the key into the context of a call that is made on a stub directly.
  void Authorize(grpc::ClientContext* context) const;

  // Waits before another attempt: first `wait`, then up to a second for a lost connection to come
  // back.
  void WaitToRetry(absl::Duration wait) const;

  // Waits until the server can be reached. UNAVAILABLE in words after `timeout`.
  absl::Status WaitUntilReachable(absl::Duration timeout);

  const ConnectionOptions& options() const { return options_; }

 private:
  using Attempt = std::function<grpc::Status(grpc::ClientContext*)>;

  absl::Status Once(const Attempt& attempt) const;
  absl::Status Repeat(const Attempt& attempt) const;

  ConnectionOptions options_;
  std::shared_ptr<grpc::Channel> channel_;
  std::tuple<std::unique_ptr<access::v1::AccessService::Stub>,
             std::unique_ptr<study::v1::StudyService::Stub>,
             std::unique_ptr<intake::v1::IntakeService::Stub>,
             std::unique_ptr<intake::v1::LogService::Stub>,
             std::unique_ptr<analysis::v1::AnalysisService::Stub>>
      stubs_;
};

}  // namespace plumule::client
