// Datasets, runs and results, as a service.
#pragma once

#include "plumule/analysis/v1/analysis_service.grpc.pb.h"
#include "server/analysis/plugin_catalog.h"
#include "server/analysis/runs.h"
#include "server/rpc/edge.h"
#include "server/store/store.h"

namespace plumule::rpc {

// See analysis_service.proto. Thread-safe.
class AnalysisService : public analysis::v1::AnalysisService::CallbackService {
 public:
  // Nothing is owned.
  AnalysisService(Edge& edge, const store::Store& store, analysis::Runs& runs,
                  const analysis::PluginCatalog& plugins);

  grpc::ServerUnaryReactor* ListPlugins(grpc::CallbackServerContext* context,
                                        const analysis::v1::ListPluginsRequest* request,
                                        analysis::v1::ListPluginsResponse* response) override;
  grpc::ServerWriteReactor<analysis::v1::ReadDatasetResponse>* ReadDataset(
      grpc::CallbackServerContext* context,
      const analysis::v1::ReadDatasetRequest* request) override;
  grpc::ServerUnaryReactor* CreateRun(grpc::CallbackServerContext* context,
                                      const analysis::v1::CreateRunRequest* request,
                                      analysis::v1::CreateRunResponse* response) override;
  grpc::ServerUnaryReactor* GetRun(grpc::CallbackServerContext* context,
                                   const analysis::v1::GetRunRequest* request,
                                   analysis::v1::GetRunResponse* response) override;
  grpc::ServerUnaryReactor* ListRuns(grpc::CallbackServerContext* context,
                                     const analysis::v1::ListRunsRequest* request,
                                     analysis::v1::ListRunsResponse* response) override;
  grpc::ServerUnaryReactor* CancelRun(grpc::CallbackServerContext* context,
                                      const analysis::v1::CancelRunRequest* request,
                                      analysis::v1::CancelRunResponse* response) override;
  grpc::ServerUnaryReactor* GetResult(grpc::CallbackServerContext* context,
                                      const analysis::v1::GetResultRequest* request,
                                      analysis::v1::GetResultResponse* response) override;
  grpc::ServerUnaryReactor* ListResults(grpc::CallbackServerContext* context,
                                        const analysis::v1::ListResultsRequest* request,
                                        analysis::v1::ListResultsResponse* response) override;

 private:
  Edge& edge_;
  const store::Store& store_;
  analysis::Runs& runs_;
  const analysis::PluginCatalog& plugins_;
};

}  // namespace plumule::rpc
