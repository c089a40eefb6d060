#include "server/rpc/dataset_stream.h"

#include <utility>

#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"

namespace plumule::rpc {
namespace {

constexpr access::MethodRule kRule =
    access::RuleOf("plumule.analysis.v1.AnalysisService/ReadDataset");

absl::Status BadTable() {
  return ReasonedError(
      absl::StatusCode::kInvalidArgument, "table_not_valid",
      "`table` is not one of a dataset's tables",
      {{"table", "table_not_valid", "Give DATASET_TABLE_UNITS or DATASET_TABLE_LOOKS."}});
}

}  // namespace

DatasetStream* DatasetStream::Open(Edge& edge, const store::Store& store,
                                   grpc::CallbackServerContext* context,
                                   const analysis::v1::ReadDatasetRequest& request) {
  std::shared_ptr<DatasetStream> stream(new DatasetStream(edge, store, request.table()));
  stream->self_ = stream;
  absl::StatusOr<access::Admission> admission = edge.Admit(
      *context, kRule,
      access::RequestedResource{access::ResourceKind::kFreeze, "freeze", request.freeze()});
  if (!admission.ok()) {
    stream->End(admission.status());
  } else if (!analysis::v1::DatasetTable_IsValid(request.table())) {
    stream->End(BadTable());
  } else {
    stream->freeze_ = std::move(admission->resource);
    stream->ScheduleFetch();
  }
  return stream.get();
}

DatasetStream::DatasetStream(Edge& edge, const store::Store& store,
                             analysis::v1::DatasetTable table)
    : edge_(edge), store_(store), which_(table), ticket_(edge.calls()) {}

void DatasetStream::OnWriteDone(bool ok) {
  if (!ok) return End(absl::CancelledError());
  ScheduleFetch();
}

void DatasetStream::OnCancel() {
  const absl::MutexLock lock(&mutex_);
  cancelled_ = true;
}

void DatasetStream::ScheduleFetch() {
  if (!edge_.AddRead([self = shared_from_this()] { self->Fetch(); })) End(ServerBusy());
}

void DatasetStream::Fetch() {
  {
    const absl::MutexLock lock(&mutex_);
    if (cancelled_) return End(absl::CancelledError());
  }
  const absl::StatusOr<bool> more = Next();
  if (!more.ok() || !*more) return End(more.status());
  StartWrite(&response_);
}

absl::StatusOr<bool> DatasetStream::Next() {
  response_.Clear();
  if (table_ == nullptr) {
    PLUMULE_RETURN_IF_ERROR(OpenTable());
    *response_.mutable_schema() = table_->schema();
    return true;
  }
  return table_->Next(response_.mutable_chunk());
}

absl::Status DatasetStream::OpenTable() {
  PLUMULE_ASSIGN_OR_RETURN(dataset_, OpenFrozenDataset(store_, freeze_));
  const bool looks = which_ == analysis::v1::DATASET_TABLE_LOOKS;
  table_ = looks ? &dataset_->looks_table() : &dataset_->units();
  return absl::OkStatus();
}

void DatasetStream::End(const absl::Status& status) { Finish(edge_.Answer(kRule, status)); }

}  // namespace plumule::rpc
