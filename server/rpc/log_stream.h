// One ReadLog call: entries as stored, one write at a time, and on to new ones if asked to follow.
#pragma once

#include <grpcpp/support/server_callback.h>

#include <cstdint>
#include <deque>
#include <memory>
#include <optional>

#include "absl/base/thread_annotations.h"
#include "absl/status/status.h"
#include "absl/synchronization/mutex.h"
#include "plumule/intake/v1/intake_service.pb.h"
#include "server/intake/intake.h"
#include "server/rpc/edge.h"
#include "server/rpc/open_calls.h"
#include "server/store/store.h"

namespace plumule::rpc {

// Holds at most one portion of entries in memory; while it follows and nothing comes, it holds no
// thread.
class LogStream final : public grpc::ServerWriteReactor<intake::v1::ReadLogResponse>,
                        public OpenStream,
                        public std::enable_shared_from_this<LogStream> {
 public:
  // A reactor for a new call. It owns itself until the call is done; the others outlive it.
  static LogStream* Open(Edge& edge, const store::Store& store, intake::Intake& intake,
                         grpc::CallbackServerContext* context,
                         const intake::v1::ReadLogRequest& request);

  void EndSoon() override;

 private:
  LogStream(Edge& edge, const store::Store& store, grpc::CallbackServerContext* context,
            const intake::v1::ReadLogRequest& request);

  void OnWriteDone(bool ok) override;
  void OnCancel() override;
  void OnDone() override;

  void Begin(absl::StatusOr<access::Admission> admission, intake::Intake& intake);
  void Advance() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void Fail(absl::Status error) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  // Whether the store may hold entries that were not fetched yet.
  bool MayHaveMore() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) {
    return !at_end_ || next_ <= known_head_;
  }

  // On a reader thread of the edge: fetches the next portion.
  void Fetch();
  absl::Status FindEnd();

  Edge& edge_;
  const store::Store& store_;
  grpc::CallbackServerContext* const context_;
  const bool follow_;
  OpenCalls::Ticket ticket_;
  std::shared_ptr<LogStream> self_;
  store::StudyName study_;
  // Set before the call is under way, ended in OnDone.
  std::unique_ptr<intake::LogFollower> follower_;
  // Last sequence wanted; 0 until the first fetch. Of the fetching thread.
  std::int64_t last_ = 0;
  // Of the write that is under way.
  intake::v1::ReadLogResponse response_;

  absl::Mutex mutex_;
  std::deque<intake::v1::ReadLogResponse> fetched_ ABSL_GUARDED_BY(mutex_);
  // First sequence that was not fetched.
  std::int64_t next_ ABSL_GUARDED_BY(mutex_);
  // Newest sequence that the intake told of.
  std::int64_t known_head_ ABSL_GUARDED_BY(mutex_) = 0;
  // The last fetch found the end.
  bool at_end_ ABSL_GUARDED_BY(mutex_) = false;
  bool fetching_ ABSL_GUARDED_BY(mutex_) = false;
  bool writing_ ABSL_GUARDED_BY(mutex_) = false;
  bool cancelled_ ABSL_GUARDED_BY(mutex_) = false;
  bool finished_ ABSL_GUARDED_BY(mutex_) = false;
  std::optional<absl::Status> failure_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace plumule::rpc
