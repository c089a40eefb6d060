// Records in, as a service.
#pragma once

#include "plumule/intake/v1/intake_service.grpc.pb.h"
#include "server/intake/intake.h"
#include "server/rpc/edge.h"

namespace plumule::rpc {

// See intake_service.proto. Thread-safe.
class IntakeService : public intake::v1::IntakeService::CallbackService {
 public:
  // Nothing is owned.
  IntakeService(Edge& edge, intake::Intake& intake);

  grpc::ServerUnaryReactor* Record(grpc::CallbackServerContext* context,
                                   const intake::v1::RecordRequest* request,
                                   intake::v1::RecordResponse* response) override;
  grpc::ServerUnaryReactor* RecordBatch(grpc::CallbackServerContext* context,
                                        const intake::v1::RecordBatchRequest* request,
                                        intake::v1::RecordBatchResponse* response) override;
  grpc::ServerBidiReactor<intake::v1::RecordStreamRequest, intake::v1::RecordStreamResponse>*
  RecordStream(grpc::CallbackServerContext* context) override;
  grpc::ServerUnaryReactor* TryRecords(grpc::CallbackServerContext* context,
                                       const intake::v1::TryRecordsRequest* request,
                                       intake::v1::TryRecordsResponse* response) override;

 private:
  Edge& edge_;
  intake::Intake& intake_;
};

}  // namespace plumule::rpc
