#include "server/rpc/intake_service.h"

#include <utility>
#include <vector>

#include "server/protocol/status_macros.h"
#include "server/rpc/actor.h"
#include "server/rpc/record_stream.h"

namespace plumule::rpc {
namespace {

using access::Admission;
using access::RequestedResource;
using access::ResourceKind;
using access::RuleOf;

constexpr access::MethodRule kRecord = RuleOf("plumule.intake.v1.IntakeService/Record");
constexpr access::MethodRule kRecordBatch = RuleOf("plumule.intake.v1.IntakeService/RecordBatch");
constexpr access::MethodRule kTryRecords = RuleOf("plumule.intake.v1.IntakeService/TryRecords");

RequestedResource Study(absl::string_view name) { return {ResourceKind::kStudy, "study", name}; }

void MoveReceipts(std::vector<intake::Answer> answers,
                  google::protobuf::RepeatedPtrField<intake::v1::Receipt>* receipts) {
  receipts->Reserve(static_cast<int>(answers.size()));
  for (intake::Answer& answer : answers) *receipts->Add() = std::move(answer.receipt);
}

}  // namespace

IntakeService::IntakeService(Edge& edge, intake::Intake& intake) : edge_(edge), intake_(intake) {}

grpc::ServerUnaryReactor* IntakeService::Record(grpc::CallbackServerContext* context,
                                                const intake::v1::RecordRequest* request,
                                                intake::v1::RecordResponse* response) {
  const auto admission = edge_.Admit(*context, kRecord, Study(request->study()));
  if (!admission.ok()) return edge_.Refuse(kRecord, admission.status());
  auto* call = new UnaryCall(edge_.calls());
  intake_.Submit(admission->resource.study_name(), {request->record()}, ActorOf(admission->caller),
                 [this, call, response](intake::Answers answers) {
                   absl::Status status = answers.status();
                   if (answers.ok()) status = answers->front().error;
                   if (status.ok()) {
                     *response->mutable_receipt() = std::move(answers->front().receipt);
                   }
                   call->Finish(edge_.Answer(kRecord, status));
                 });
  return call;
}

grpc::ServerUnaryReactor* IntakeService::RecordBatch(grpc::CallbackServerContext* context,
                                                     const intake::v1::RecordBatchRequest* request,
                                                     intake::v1::RecordBatchResponse* response) {
  const auto admission = edge_.Admit(*context, kRecordBatch, Study(request->study()));
  if (!admission.ok()) return edge_.Refuse(kRecordBatch, admission.status());
  auto* call = new UnaryCall(edge_.calls());
  intake_.Submit(admission->resource.study_name(),
                 {request->records().begin(), request->records().end()}, ActorOf(admission->caller),
                 [this, call, response](intake::Answers answers) {
                   if (answers.ok())
                     MoveReceipts(*std::move(answers), response->mutable_receipts());
                   call->Finish(edge_.Answer(kRecordBatch, answers.status()));
                 });
  return call;
}

grpc::ServerBidiReactor<intake::v1::RecordStreamRequest, intake::v1::RecordStreamResponse>*
IntakeService::RecordStream(grpc::CallbackServerContext* context) {
  return RecordStream::Open(edge_, intake_, context);
}

grpc::ServerUnaryReactor* IntakeService::TryRecords(grpc::CallbackServerContext* context,
                                                    const intake::v1::TryRecordsRequest* request,
                                                    intake::v1::TryRecordsResponse* response) {
  return edge_.Read(context, kTryRecords, Study(request->study()),
                    [=, this](const Admission& admission, std::stop_token) -> absl::Status {
                      PLUMULE_ASSIGN_OR_RETURN(
                          std::vector<intake::Answer> answers,
                          intake_.Try(admission.resource.study_name(),
                                      {request->records().begin(), request->records().end()},
                                      ActorOf(admission.caller)));
                      MoveReceipts(std::move(answers), response->mutable_receipts());
                      return absl::OkStatus();
                    });
}

}  // namespace plumule::rpc
