#include "server/rpc/log_service.h"

#include <utility>

#include "absl/strings/string_view.h"
#include "server/log/study_reader.h"
#include "server/protocol/status_macros.h"
#include "server/rpc/actor.h"
#include "server/rpc/log_stream.h"
#include "server/rpc/paging.h"

namespace plumule::rpc {
namespace {

using access::Admission;
using access::RequestedResource;
using access::ResourceKind;
using access::RuleOf;

constexpr access::MethodRule kGetProgress = RuleOf("plumule.intake.v1.LogService/GetProgress");
constexpr access::MethodRule kListRefused = RuleOf("plumule.intake.v1.LogService/ListRefused");
constexpr access::MethodRule kListPending = RuleOf("plumule.intake.v1.LogService/ListPending");
constexpr access::MethodRule kExclude = RuleOf("plumule.intake.v1.LogService/Exclude");

RequestedResource Study(absl::string_view name) { return {ResourceKind::kStudy, "study", name}; }

}  // namespace

LogService::LogService(Edge& edge, const store::Store& store, intake::Intake& intake,
                       intake::StudyLife& life)
    : edge_(edge), store_(store), intake_(intake), life_(life) {}

grpc::ServerWriteReactor<intake::v1::ReadLogResponse>* LogService::ReadLog(
    grpc::CallbackServerContext* context, const intake::v1::ReadLogRequest* request) {
  return LogStream::Open(edge_, store_, intake_, context, *request);
}

grpc::ServerUnaryReactor* LogService::GetProgress(grpc::CallbackServerContext* context,
                                                  const intake::v1::GetProgressRequest* request,
                                                  intake::v1::GetProgressResponse* response) {
  return edge_.Read(context, kGetProgress, Study(request->study()),
                    [=, this](const Admission& admission, std::stop_token) -> absl::Status {
                      PLUMULE_ASSIGN_OR_RETURN(
                          *response->mutable_progress(),
                          log::ReadProgress(store_, admission.resource.study_name()));
                      return absl::OkStatus();
                    });
}

grpc::ServerUnaryReactor* LogService::ListRefused(grpc::CallbackServerContext* context,
                                                  const intake::v1::ListRefusedRequest* request,
                                                  intake::v1::ListRefusedResponse* response) {
  return edge_.Read(context, kListRefused, Study(request->study()),
                    [=, this](const Admission& admission, std::stop_token) -> absl::Status {
                      PLUMULE_ASSIGN_OR_RETURN(
                          const Page page, ReadPage(kListRefused.method, request->study(),
                                                    request->page_size(), request->page_token()));
                      PLUMULE_ASSIGN_OR_RETURN(
                          auto found, log::ListRefused(store_, admission.resource.study_name(),
                                                       page.size, page.after));
                      for (auto& refused : found.items)
                        *response->add_records() = std::move(refused);
                      response->set_next_page_token(
                          NextToken(kListRefused.method, request->study(), found.next_page_token));
                      return absl::OkStatus();
                    });
}

grpc::ServerUnaryReactor* LogService::ListPending(grpc::CallbackServerContext* context,
                                                  const intake::v1::ListPendingRequest* request,
                                                  intake::v1::ListPendingResponse* response) {
  return edge_.Read(context, kListPending, Study(request->study()),
                    [=, this](const Admission& admission, std::stop_token) -> absl::Status {
                      PLUMULE_ASSIGN_OR_RETURN(
                          const Page page, ReadPage(kListPending.method, request->study(),
                                                    request->page_size(), request->page_token()));
                      PLUMULE_ASSIGN_OR_RETURN(
                          auto found, log::ListPending(store_, admission.resource.study_name(),
                                                       page.size, page.after));
                      for (auto& pending : found.items)
                        *response->add_records() = std::move(pending);
                      response->set_next_page_token(
                          NextToken(kListPending.method, request->study(), found.next_page_token));
                      return absl::OkStatus();
                    });
}

grpc::ServerUnaryReactor* LogService::Exclude(grpc::CallbackServerContext* context,
                                              const intake::v1::ExcludeRequest* request,
                                              intake::v1::ExcludeResponse* response) {
  return edge_.Do(
      context, kExclude, Study(request->study()),
      [=, this](const Admission& admission, std::stop_token) -> absl::Status {
        PLUMULE_ASSIGN_OR_RETURN(
            *response->mutable_receipt(),
            life_.Exclude(admission.resource.study_name(), request->block(), request->unit(),
                          request->reason(), request->request_id(), ActorOf(admission.caller)));
        return absl::OkStatus();
      });
}

}  // namespace plumule::rpc
