// Logs and what can be read off them, as a service.
#pragma once

#include "plumule/intake/v1/intake_service.grpc.pb.h"
#include "server/intake/intake.h"
#include "server/intake/study_life.h"
#include "server/rpc/edge.h"
#include "server/store/store.h"

namespace plumule::rpc {

// See intake_service.proto. Thread-safe.
class LogService : public intake::v1::LogService::CallbackService {
 public:
  // Nothing is owned.
  LogService(Edge& edge, const store::Store& store, intake::Intake& intake,
             intake::StudyLife& life);

  grpc::ServerWriteReactor<intake::v1::ReadLogResponse>* ReadLog(
      grpc::CallbackServerContext* context, const intake::v1::ReadLogRequest* request) override;
  grpc::ServerUnaryReactor* GetProgress(grpc::CallbackServerContext* context,
                                        const intake::v1::GetProgressRequest* request,
                                        intake::v1::GetProgressResponse* response) override;
  grpc::ServerUnaryReactor* ListRefused(grpc::CallbackServerContext* context,
                                        const intake::v1::ListRefusedRequest* request,
                                        intake::v1::ListRefusedResponse* response) override;
  grpc::ServerUnaryReactor* ListPending(grpc::CallbackServerContext* context,
                                        const intake::v1::ListPendingRequest* request,
                                        intake::v1::ListPendingResponse* response) override;
  grpc::ServerUnaryReactor* Exclude(grpc::CallbackServerContext* context,
                                    const intake::v1::ExcludeRequest* request,
                                    intake::v1::ExcludeResponse* response) override;

 private:
  Edge& edge_;
  const store::Store& store_;
  intake::Intake& intake_;
  intake::StudyLife& life_;
};

}  // namespace plumule::rpc
