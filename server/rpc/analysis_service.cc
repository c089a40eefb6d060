#include "server/rpc/analysis_service.h"

#include <utility>

#include "absl/strings/string_view.h"
#include "server/protocol/status_macros.h"
#include "server/rpc/dataset_stream.h"
#include "server/rpc/paging.h"
#include "server/rpc/run_wait.h"

namespace plumule::rpc {
namespace {

using access::Admission;
using access::RequestedResource;
using access::ResourceKind;
using access::RuleOf;

constexpr access::MethodRule kListPlugins =
    RuleOf("plumule.analysis.v1.AnalysisService/ListPlugins");
constexpr access::MethodRule kCreateRun = RuleOf("plumule.analysis.v1.AnalysisService/CreateRun");
constexpr access::MethodRule kListRuns = RuleOf("plumule.analysis.v1.AnalysisService/ListRuns");
constexpr access::MethodRule kCancelRun = RuleOf("plumule.analysis.v1.AnalysisService/CancelRun");
constexpr access::MethodRule kGetResult = RuleOf("plumule.analysis.v1.AnalysisService/GetResult");
constexpr access::MethodRule kListResults =
    RuleOf("plumule.analysis.v1.AnalysisService/ListResults");

}  // namespace

AnalysisService::AnalysisService(Edge& edge, const store::Store& store, analysis::Runs& runs,
                                 const analysis::PluginCatalog& plugins)
    : edge_(edge), store_(store), runs_(runs), plugins_(plugins) {}

grpc::ServerUnaryReactor* AnalysisService::ListPlugins(
    grpc::CallbackServerContext* context, const analysis::v1::ListPluginsRequest* /*request*/,
    analysis::v1::ListPluginsResponse* response) {
  return edge_.Read(context, kListPlugins, std::nullopt,
                    [=, this](const Admission&, std::stop_token) -> absl::Status {
                      for (const analysis::InstalledPlugin& plugin : plugins_.plugins()) {
                        *response->add_plugins() = analysis::Describe(plugin);
                      }
                      return absl::OkStatus();
                    });
}

grpc::ServerWriteReactor<analysis::v1::ReadDatasetResponse>* AnalysisService::ReadDataset(
    grpc::CallbackServerContext* context, const analysis::v1::ReadDatasetRequest* request) {
  return DatasetStream::Open(edge_, store_, context, *request);
}

grpc::ServerUnaryReactor* AnalysisService::CreateRun(grpc::CallbackServerContext* context,
                                                     const analysis::v1::CreateRunRequest* request,
                                                     analysis::v1::CreateRunResponse* response) {
  return edge_.Do(context, kCreateRun,
                  RequestedResource{ResourceKind::kFreeze, "freeze", request->freeze()},
                  [=, this](const Admission&, std::stop_token) -> absl::Status {
                    PLUMULE_ASSIGN_OR_RETURN(*response->mutable_run(), runs_.CreateRun(*request));
                    return absl::OkStatus();
                  });
}

grpc::ServerUnaryReactor* AnalysisService::GetRun(grpc::CallbackServerContext* context,
                                                  const analysis::v1::GetRunRequest* request,
                                                  analysis::v1::GetRunResponse* response) {
  return RunWait::Open(edge_, runs_, context, *request, response);
}

grpc::ServerUnaryReactor* AnalysisService::ListRuns(grpc::CallbackServerContext* context,
                                                    const analysis::v1::ListRunsRequest* request,
                                                    analysis::v1::ListRunsResponse* response) {
  return edge_.Read(
      context, kListRuns, RequestedResource{ResourceKind::kStudy, "parent", request->parent()},
      [=, this](const Admission&, std::stop_token) -> absl::Status {
        PLUMULE_ASSIGN_OR_RETURN(const Page page,
                                 ReadPage(kListRuns.method, request->parent(), request->page_size(),
                                          request->page_token()));
        PLUMULE_ASSIGN_OR_RETURN(auto found, runs_.List(request->parent(), page.size, page.after));
        for (analysis::v1::Run& run : found.items) *response->add_runs() = std::move(run);
        response->set_next_page_token(
            NextToken(kListRuns.method, request->parent(), found.next_page_token));
        return absl::OkStatus();
      });
}

grpc::ServerUnaryReactor* AnalysisService::CancelRun(grpc::CallbackServerContext* context,
                                                     const analysis::v1::CancelRunRequest* request,
                                                     analysis::v1::CancelRunResponse* response) {
  return edge_.Do(
      context, kCancelRun, RequestedResource{ResourceKind::kRun, "name", request->name()},
      [=, this](const Admission&, std::stop_token) -> absl::Status {
        PLUMULE_ASSIGN_OR_RETURN(*response->mutable_run(), runs_.Cancel(request->name()));
        return absl::OkStatus();
      });
}

grpc::ServerUnaryReactor* AnalysisService::GetResult(grpc::CallbackServerContext* context,
                                                     const analysis::v1::GetResultRequest* request,
                                                     analysis::v1::GetResultResponse* response) {
  return edge_.Read(
      context, kGetResult, RequestedResource{ResourceKind::kResult, "name", request->name()},
      [=, this](const Admission&, std::stop_token) -> absl::Status {
        PLUMULE_ASSIGN_OR_RETURN(*response->mutable_result(), runs_.GetResult(request->name()));
        return absl::OkStatus();
      });
}

grpc::ServerUnaryReactor* AnalysisService::ListResults(
    grpc::CallbackServerContext* context, const analysis::v1::ListResultsRequest* request,
    analysis::v1::ListResultsResponse* response) {
  return edge_.Read(context, kListResults,
                    RequestedResource{ResourceKind::kStudy, "parent", request->parent()},
                    [=, this](const Admission&, std::stop_token) -> absl::Status {
                      PLUMULE_ASSIGN_OR_RETURN(
                          const Page page, ReadPage(kListResults.method, request->parent(),
                                                    request->page_size(), request->page_token()));
                      PLUMULE_ASSIGN_OR_RETURN(
                          auto found, runs_.ListResults(request->parent(), page.size, page.after));
                      for (analysis::v1::StoredResult& result : found.items) {
                        *response->add_results() = std::move(result);
                      }
                      response->set_next_page_token(
                          NextToken(kListResults.method, request->parent(), found.next_page_token));
                      return absl::OkStatus();
                    });
}

}  // namespace plumule::rpc
