// One GetRun call: the run as it stands, or once it has ended.
#pragma once

#include <grpcpp/alarm.h>
#include <grpcpp/support/server_callback.h>

#include <memory>
#include <string>

#include "absl/base/thread_annotations.h"
#include "absl/synchronization/mutex.h"
#include "absl/time/time.h"
#include "plumule/analysis/v1/analysis_service.pb.h"
#include "server/analysis/runs.h"
#include "server/rpc/edge.h"

namespace plumule::rpc {

// Looks again and again, at growing intervals, and holds no thread between: any number of clients
// may wait.
class RunWait final : public grpc::ServerUnaryReactor,
                      public std::enable_shared_from_this<RunWait> {
 public:
  // A reactor for a new call. It owns itself until the call is done; the others outlive it.
  static RunWait* Open(Edge& edge, analysis::Runs& runs, grpc::CallbackServerContext* context,
                       const analysis::v1::GetRunRequest& request,
                       analysis::v1::GetRunResponse* response);

 private:
  RunWait(Edge& edge, analysis::Runs& runs, std::string name, absl::Time until,
          analysis::v1::GetRunResponse* response);

  void OnCancel() override;
  void OnDone() override;

  void ScheduleLook();
  // On a reader thread of the edge.
  void Look();
  void LookLater();
  void End(const absl::Status& status);

  Edge& edge_;
  analysis::Runs& runs_;
  const std::string name_;
  const absl::Time until_;
  analysis::v1::GetRunResponse* const response_;
  OpenCalls::Ticket ticket_;
  std::shared_ptr<RunWait> self_;
  // Of one look at a time.
  absl::Duration interval_ = absl::Milliseconds(20);

  absl::Mutex mutex_;
  bool cancelled_ ABSL_GUARDED_BY(mutex_) = false;
  std::unique_ptr<grpc::Alarm> alarm_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace plumule::rpc
