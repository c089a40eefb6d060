// One ReadDataset call: the schema, then chunks, one write at a time.
#pragma once

#include <grpcpp/support/server_callback.h>

#include <memory>
#include <optional>

#include "absl/base/thread_annotations.h"
#include "absl/status/status.h"
#include "absl/synchronization/mutex.h"
#include "plumule/analysis/v1/analysis_service.pb.h"
#include "server/access/guard.h"
#include "server/analysis/dataset_source.h"
#include "server/rpc/edge.h"
#include "server/rpc/frozen_dataset.h"
#include "server/store/store.h"

namespace plumule::rpc {

// Holds one chunk in memory. Each is read when the one before has been written.
class DatasetStream final : public grpc::ServerWriteReactor<analysis::v1::ReadDatasetResponse>,
                            public std::enable_shared_from_this<DatasetStream> {
 public:
  // A reactor for a new call. It owns itself until the call is done; the others outlive it.
  static DatasetStream* Open(Edge& edge, const store::Store& store,
                             grpc::CallbackServerContext* context,
                             const analysis::v1::ReadDatasetRequest& request);

 private:
  DatasetStream(Edge& edge, const store::Store& store, analysis::v1::DatasetTable table);

  void OnWriteDone(bool ok) override;
  void OnCancel() override;
  void OnDone() override { self_.reset(); }

  // Fetches the next message among the edge's short work.
  void ScheduleFetch();
  void Fetch();
  // Puts the next message into response_; false after the last.
  absl::StatusOr<bool> Next();
  absl::Status OpenTable();
  void End(const absl::Status& status);

  Edge& edge_;
  const store::Store& store_;
  const analysis::v1::DatasetTable which_;
  OpenCalls::Ticket ticket_;
  std::shared_ptr<DatasetStream> self_;

  // Used by one step at a time: a fetch, or the write after it.
  access::ResourceName freeze_;
  std::unique_ptr<FrozenDataset> dataset_;
  analysis::TableSource* table_ = nullptr;
  analysis::v1::ReadDatasetResponse response_;

  absl::Mutex mutex_;
  bool cancelled_ ABSL_GUARDED_BY(mutex_) = false;
};

}  // namespace plumule::rpc
