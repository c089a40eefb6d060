#include "server/rpc/study_service.h"

#include <string>
#include <utility>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/string_view.h"
#include "server/log/study_reader.h"
#include "server/protocol/check.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/rpc/actor.h"
#include "server/rpc/paging.h"
#include "server/rpc/protocol_questions.h"

namespace plumule::rpc {
namespace {

using access::Admission;
using access::RequestedResource;
using access::ResourceKind;
using access::RuleOf;

constexpr access::MethodRule kCreateStudy = RuleOf("plumule.study.v1.StudyService/CreateStudy");
constexpr access::MethodRule kGetStudy = RuleOf("plumule.study.v1.StudyService/GetStudy");
constexpr access::MethodRule kListStudies = RuleOf("plumule.study.v1.StudyService/ListStudies");
constexpr access::MethodRule kCheckProtocol = RuleOf("plumule.study.v1.StudyService/CheckProtocol");
constexpr access::MethodRule kPublishProtocol =
    RuleOf("plumule.study.v1.StudyService/PublishProtocol");
constexpr access::MethodRule kGetProtocol = RuleOf("plumule.study.v1.StudyService/GetProtocol");
constexpr access::MethodRule kCloseStudy = RuleOf("plumule.study.v1.StudyService/CloseStudy");
constexpr access::MethodRule kFreezeStudy = RuleOf("plumule.study.v1.StudyService/FreezeStudy");
constexpr access::MethodRule kListFreezes = RuleOf("plumule.study.v1.StudyService/ListFreezes");

RequestedResource Study(absl::string_view field, absl::string_view name) {
  return {ResourceKind::kStudy, field, name};
}

RequestedResource Community(absl::string_view name) {
  return {ResourceKind::kCommunity, "parent", name};
}

absl::Status CheckStudyId(absl::string_view id) {
  if (access::IsChosenId(id)) return absl::OkStatus();
  return ReasonedError(
      absl::StatusCode::kInvalidArgument, "id_not_valid", "`study_id` is not an id for a study",
      {{"study_id", "id_not_valid",
        "Give 3 to 40 lower-case letters, digits and hyphens that start with a letter."}});
}

// Why a definition can't be published: one violation for each problem that is more than advice.
absl::Status HasProblems(const std::vector<study::v1::Problem>& problems) {
  std::vector<FieldViolation> violations;
  for (const study::v1::Problem& problem : problems) {
    if (problem.advice()) continue;
    violations.push_back({absl::StrCat("protocol.", problem.path()), problem.reason(),
                          absl::StrCat(problem.what(), " ", problem.remedy())});
  }
  return ReasonedError(absl::StatusCode::kInvalidArgument, "protocol_has_problems",
                       absl::StrCat("the definition has ", violations.size(),
                                    violations.size() == 1 ? " problem" : " problems",
                                    "; CheckProtocol shows all with their remedies"),
                       std::move(violations));
}

}  // namespace

StudyService::StudyService(Edge& edge, const store::Store& store, intake::StudyLife& life,
                           const analysis::PluginCatalog& plugins)
    : edge_(edge), store_(store), life_(life), plugins_(plugins) {}

grpc::ServerUnaryReactor* StudyService::CreateStudy(grpc::CallbackServerContext* context,
                                                    const study::v1::CreateStudyRequest* request,
                                                    study::v1::CreateStudyResponse* response) {
  return edge_.Do(context, kCreateStudy, Community(request->parent()),
                  [=, this](const Admission& admission, std::stop_token) -> absl::Status {
                    PLUMULE_RETURN_IF_ERROR(CheckStudyId(request->study_id()));
                    const store::StudyName name{admission.resource.community, request->study_id()};
                    PLUMULE_ASSIGN_OR_RETURN(*response->mutable_study(),
                                             life_.Create(name, ActorOf(admission.caller)));
                    return absl::OkStatus();
                  });
}

grpc::ServerUnaryReactor* StudyService::GetStudy(grpc::CallbackServerContext* context,
                                                 const study::v1::GetStudyRequest* request,
                                                 study::v1::GetStudyResponse* response) {
  return edge_.Read(context, kGetStudy, Study("name", request->name()),
                    [=, this](const Admission& admission, std::stop_token) -> absl::Status {
                      PLUMULE_ASSIGN_OR_RETURN(
                          *response->mutable_study(),
                          log::ReadStudy(store_, admission.resource.study_name()));
                      return absl::OkStatus();
                    });
}

grpc::ServerUnaryReactor* StudyService::ListStudies(grpc::CallbackServerContext* context,
                                                    const study::v1::ListStudiesRequest* request,
                                                    study::v1::ListStudiesResponse* response) {
  return edge_.Read(context, kListStudies, Community(request->parent()),
                    [=, this](const Admission& admission, std::stop_token) -> absl::Status {
                      PLUMULE_ASSIGN_OR_RETURN(
                          const Page page, ReadPage(kListStudies.method, request->parent(),
                                                    request->page_size(), request->page_token()));
                      PLUMULE_ASSIGN_OR_RETURN(
                          auto found, log::ListStudies(store_, admission.resource.community,
                                                       page.size, page.after));
                      for (study::v1::Study& study : found.items)
                        *response->add_studies() = std::move(study);
                      response->set_next_page_token(
                          NextToken(kListStudies.method, request->parent(), found.next_page_token));
                      return absl::OkStatus();
                    });
}

grpc::ServerUnaryReactor* StudyService::CheckProtocol(
    grpc::CallbackServerContext* context, const study::v1::CheckProtocolRequest* request,
    study::v1::CheckProtocolResponse* response) {
  return edge_.Do(context, kCheckProtocol, Community(request->parent()),
                  [=, this](const Admission&, std::stop_token stop) -> absl::Status {
                    for (study::v1::Problem& problem :
                         CheckWithPlugins(request->protocol(), plugins_, {}, stop)) {
                      *response->add_problems() = std::move(problem);
                    }
                    return absl::OkStatus();
                  });
}

grpc::ServerUnaryReactor* StudyService::PublishProtocol(
    grpc::CallbackServerContext* context, const study::v1::PublishProtocolRequest* request,
    study::v1::PublishProtocolResponse* response) {
  return edge_.Do(
      context, kPublishProtocol, Study("name", request->name()),
      [=, this](const Admission& admission, std::stop_token stop) -> absl::Status {
        std::vector<study::v1::Problem> problems =
            CheckWithPlugins(request->protocol(), plugins_, {}, stop);
        if (stop.stop_requested()) return absl::CancelledError();
        if (!protocol::CanBePublished(problems)) return HasProblems(problems);
        PLUMULE_ASSIGN_OR_RETURN(
            *response->mutable_study(),
            life_.Publish(admission.resource.study_name(), request->protocol(),
                          request->request_id(), request->reason(), ActorOf(admission.caller)));
        for (study::v1::Problem& problem : problems) {
          *response->add_problems() = std::move(problem);
        }
        return absl::OkStatus();
      });
}

grpc::ServerUnaryReactor* StudyService::GetProtocol(grpc::CallbackServerContext* context,
                                                    const study::v1::GetProtocolRequest* request,
                                                    study::v1::GetProtocolResponse* response) {
  return edge_.Read(
      context, kGetProtocol, Study("name", request->name()),
      [=, this](const Admission& admission, std::stop_token) -> absl::Status {
        PLUMULE_ASSIGN_OR_RETURN(
            log::PublishedProtocol published,
            log::ReadProtocol(store_, admission.resource.study_name(), request->revision()));
        *response->mutable_protocol() = std::move(published.protocol);
        response->set_revision(published.revision);
        return absl::OkStatus();
      });
}

grpc::ServerUnaryReactor* StudyService::CloseStudy(grpc::CallbackServerContext* context,
                                                   const study::v1::CloseStudyRequest* request,
                                                   study::v1::CloseStudyResponse* response) {
  return edge_.Do(context, kCloseStudy, Study("name", request->name()),
                  [=, this](const Admission& admission, std::stop_token) -> absl::Status {
                    PLUMULE_ASSIGN_OR_RETURN(
                        *response->mutable_study(),
                        life_.Close(admission.resource.study_name(), request->request_id(),
                                    request->reason(), ActorOf(admission.caller)));
                    return absl::OkStatus();
                  });
}

grpc::ServerUnaryReactor* StudyService::FreezeStudy(grpc::CallbackServerContext* context,
                                                    const study::v1::FreezeStudyRequest* request,
                                                    study::v1::FreezeStudyResponse* response) {
  return edge_.Do(context, kFreezeStudy, Study("name", request->name()),
                  [=, this](const Admission& admission, std::stop_token) -> absl::Status {
                    PLUMULE_ASSIGN_OR_RETURN(
                        *response->mutable_freeze(),
                        life_.Freeze(admission.resource.study_name(), request->request_id(),
                                     ActorOf(admission.caller)));
                    return absl::OkStatus();
                  });
}

grpc::ServerUnaryReactor* StudyService::ListFreezes(grpc::CallbackServerContext* context,
                                                    const study::v1::ListFreezesRequest* request,
                                                    study::v1::ListFreezesResponse* response) {
  return edge_.Read(context, kListFreezes, Study("parent", request->parent()),
                    [=, this](const Admission& admission, std::stop_token) -> absl::Status {
                      PLUMULE_ASSIGN_OR_RETURN(
                          const Page page, ReadPage(kListFreezes.method, request->parent(),
                                                    request->page_size(), request->page_token()));
                      PLUMULE_ASSIGN_OR_RETURN(
                          auto found, log::ListFreezes(store_, admission.resource.study_name(),
                                                       page.size, page.after));
                      for (study::v1::Freeze& freeze : found.items)
                        *response->add_freezes() = std::move(freeze);
                      response->set_next_page_token(
                          NextToken(kListFreezes.method, request->parent(), found.next_page_token));
                      return absl::OkStatus();
                    });
}

}  // namespace plumule::rpc
