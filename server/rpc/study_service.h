// The life of studies, as a service.
#pragma once

#include "plumule/study/v1/study_service.grpc.pb.h"
#include "server/analysis/plugin_catalog.h"
#include "server/intake/study_life.h"
#include "server/rpc/edge.h"
#include "server/store/store.h"

namespace plumule::rpc {

// See study_service.proto. Thread-safe.
class StudyService : public study::v1::StudyService::CallbackService {
 public:
  // Nothing is owned.
  StudyService(Edge& edge, const store::Store& store, intake::StudyLife& life,
               const analysis::PluginCatalog& plugins);

  grpc::ServerUnaryReactor* CreateStudy(grpc::CallbackServerContext* context,
                                        const study::v1::CreateStudyRequest* request,
                                        study::v1::CreateStudyResponse* response) override;
  grpc::ServerUnaryReactor* GetStudy(grpc::CallbackServerContext* context,
                                     const study::v1::GetStudyRequest* request,
                                     study::v1::GetStudyResponse* response) override;
  grpc::ServerUnaryReactor* ListStudies(grpc::CallbackServerContext* context,
                                        const study::v1::ListStudiesRequest* request,
                                        study::v1::ListStudiesResponse* response) override;
  grpc::ServerUnaryReactor* CheckProtocol(grpc::CallbackServerContext* context,
                                          const study::v1::CheckProtocolRequest* request,
                                          study::v1::CheckProtocolResponse* response) override;
  grpc::ServerUnaryReactor* PublishProtocol(grpc::CallbackServerContext* context,
                                            const study::v1::PublishProtocolRequest* request,
                                            study::v1::PublishProtocolResponse* response) override;
  grpc::ServerUnaryReactor* GetProtocol(grpc::CallbackServerContext* context,
                                        const study::v1::GetProtocolRequest* request,
                                        study::v1::GetProtocolResponse* response) override;
  grpc::ServerUnaryReactor* CloseStudy(grpc::CallbackServerContext* context,
                                       const study::v1::CloseStudyRequest* request,
                                       study::v1::CloseStudyResponse* response) override;
  grpc::ServerUnaryReactor* FreezeStudy(grpc::CallbackServerContext* context,
                                        const study::v1::FreezeStudyRequest* request,
                                        study::v1::FreezeStudyResponse* response) override;
  grpc::ServerUnaryReactor* ListFreezes(grpc::CallbackServerContext* context,
                                        const study::v1::ListFreezesRequest* request,
                                        study::v1::ListFreezesResponse* response) override;

 private:
  Edge& edge_;
  const store::Store& store_;
  intake::StudyLife& life_;
  const analysis::PluginCatalog& plugins_;
};

}  // namespace plumule::rpc
