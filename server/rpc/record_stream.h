// One RecordStream call: records in, receipts out, in order, with a bounded number between.
//
//   gRPC ── OnReadDone ──▶ buffer_ ── a reader thread of the edge submits up to 1,000 ──▶ Intake
//     ▲                                                                                      │
//     └── one write at a time ◀── receipts_ ◀── committer's thread, once durable ◀───────────┘
//
// Reading stops while kMostUnanswered records, or kMostUnansweredBytes of them, have no receipt
// written; gRPC's own flow control then holds the client back.
#pragma once

#include <grpcpp/alarm.h>
#include <grpcpp/support/server_callback.h>

#include <cstddef>
#include <deque>
#include <memory>
#include <optional>
#include <vector>

#include "absl/base/thread_annotations.h"
#include "absl/status/status.h"
#include "absl/synchronization/mutex.h"
#include "plumule/intake/v1/intake_service.pb.h"
#include "server/intake/intake.h"
#include "server/rpc/edge.h"
#include "server/rpc/open_calls.h"

namespace plumule::rpc {

class RecordStream final : public grpc::ServerBidiReactor<intake::v1::RecordStreamRequest,
                                                          intake::v1::RecordStreamResponse>,
                           public OpenStream,
                           public std::enable_shared_from_this<RecordStream> {
 public:
  static constexpr std::size_t kMostUnanswered = 10'000;
  static constexpr std::size_t kMostUnansweredBytes = std::size_t{8} << 20;

  // A reactor for a new call. It owns itself until the call is done; `edge`, `intake` and `context`
  // outlive it.
  static RecordStream* Open(Edge& edge, intake::Intake& intake,
                            grpc::CallbackServerContext* context);

  void EndSoon() override;

 private:
  // Records handed to the intake together that have no answer yet.
  static constexpr int kMostSubmissions = 4;

  RecordStream(Edge& edge, intake::Intake& intake, grpc::CallbackServerContext* context);

  void OnReadDone(bool ok) override;
  void OnWriteDone(bool ok) override;
  void OnCancel() override;
  void OnDone() override;

  // The first message: what study, and whether that is allowed.
  void Begin() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void TakeRecord() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  // Starts whatever can be started now, and finishes when nothing is left.
  void Advance() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void WriteReceipts() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void ReadMore() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void ScheduleSubmission() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  void FinishIfOver() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  // Ends the call with an error once the receipts that are due are written.
  void Fail(absl::Status error) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  bool TakesMore() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) {
    return !cancelled_ && !failure_.has_value();
  }

  // On a reader thread of the edge.
  void SubmitBuffered();
  void GiveUpSubmission(absl::Status error);
  // On the committer's thread, or within Submit if it took nothing.
  void Answered(const std::shared_ptr<std::vector<intake::v1::Record>>& sent,
                intake::Answers answers);
  void SubmitLater(absl::Duration delay) ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  Edge& edge_;
  intake::Intake& intake_;
  grpc::CallbackServerContext* const context_;
  OpenCalls::Ticket ticket_;
  // Keeps this alive until OnDone; answers under way hold their own.
  std::shared_ptr<RecordStream> self_;

  // Of the read and of the write that is under way.
  intake::v1::RecordStreamRequest request_;
  intake::v1::RecordStreamResponse response_;

  absl::Mutex mutex_;
  std::optional<access::Admission> admission_ ABSL_GUARDED_BY(mutex_);
  // Read, not yet submitted.
  std::deque<intake::v1::Record> buffer_ ABSL_GUARDED_BY(mutex_);
  // Ready to be written.
  std::deque<intake::v1::Receipt> receipts_ ABSL_GUARDED_BY(mutex_);
  // Sizes of all records that have no receipt written, in order.
  std::deque<std::size_t> unanswered_ ABSL_GUARDED_BY(mutex_);
  std::size_t unanswered_bytes_ ABSL_GUARDED_BY(mutex_) = 0;
  int submissions_ ABSL_GUARDED_BY(mutex_) = 0;
  // A submission is queued or runs.
  bool submitting_ ABSL_GUARDED_BY(mutex_) = false;
  // The intake's queue was full: the alarm is set.
  bool waiting_ ABSL_GUARDED_BY(mutex_) = false;
  bool reading_ ABSL_GUARDED_BY(mutex_) = false;
  bool writing_ ABSL_GUARDED_BY(mutex_) = false;
  bool client_done_ ABSL_GUARDED_BY(mutex_) = false;
  bool cancelled_ ABSL_GUARDED_BY(mutex_) = false;
  bool finished_ ABSL_GUARDED_BY(mutex_) = false;
  std::optional<absl::Status> failure_ ABSL_GUARDED_BY(mutex_);
  std::unique_ptr<grpc::Alarm> retry_ ABSL_GUARDED_BY(mutex_);
};

}  // namespace plumule::rpc
