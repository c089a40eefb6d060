#include "server/rpc/log_stream.h"

#include <algorithm>
#include <limits>
#include <string>
#include <utility>

#include "server/log/log_reader.h"
#include "server/log/study_reader.h"
#include "server/protocol/reason.h"

namespace plumule::rpc {
namespace {

constexpr access::MethodRule kRule = access::RuleOf("plumule.intake.v1.LogService/ReadLog");
// One portion of entries.
constexpr std::size_t kMostFetched = 512;
constexpr std::size_t kMostFetchedBytes = std::size_t{1} << 20;

absl::Status BadSequence() {
  return ReasonedError(absl::StatusCode::kInvalidArgument, "sequence_not_valid",
                       "from_sequence is below 0",
                       {{"from_sequence", "sequence_not_valid",
                         "Give the first sequence wanted, from 1; 0 means 1."}});
}

}  // namespace

LogStream* LogStream::Open(Edge& edge, const store::Store& store, intake::Intake& intake,
                           grpc::CallbackServerContext* context,
                           const intake::v1::ReadLogRequest& request) {
  std::shared_ptr<LogStream> stream(new LogStream(edge, store, context, request));
  stream->self_ = stream;
  edge.calls().Enter(stream.get());
  absl::StatusOr<access::Admission> admission =
      edge.Admit(*context, kRule,
                 access::RequestedResource{access::ResourceKind::kStudy, "study", request.study()});
  if (admission.ok() && request.from_sequence() < 0) admission = BadSequence();
  stream->Begin(std::move(admission), intake);
  return stream.get();
}

LogStream::LogStream(Edge& edge, const store::Store& store, grpc::CallbackServerContext* context,
                     const intake::v1::ReadLogRequest& request)
    : edge_(edge),
      store_(store),
      context_(context),
      follow_(request.follow()),
      ticket_(edge.calls()),
      next_(std::max<std::int64_t>(request.from_sequence(), 1)) {}

void LogStream::Begin(absl::StatusOr<access::Admission> admission, intake::Intake& intake) {
  if (admission.ok()) {
    study_ = admission->resource.study_name();
    // Before the first fetch, so that no entry falls between the two. What holds the stream alive
    // here is that the follower ends in OnDone.
    if (follow_) {
      follower_ = intake.Follow(study_, [this](std::int64_t head) {
        const absl::MutexLock lock(&mutex_);
        known_head_ = head;
        Advance();
      });
    }
  }
  const absl::MutexLock lock(&mutex_);
  if (!admission.ok()) Fail(admission.status());
  Advance();
}

void LogStream::EndSoon() {
  const absl::MutexLock lock(&mutex_);
  if (follow_) Fail(ServerStopping());
  Advance();
}

void LogStream::OnWriteDone(bool ok) {
  const absl::MutexLock lock(&mutex_);
  writing_ = false;
  if (!ok) cancelled_ = true;
  Advance();
}

void LogStream::OnCancel() {
  const absl::MutexLock lock(&mutex_);
  cancelled_ = true;
  Advance();
}

void LogStream::OnDone() {
  follower_.reset();
  edge_.calls().Leave(this);
  self_.reset();
}

void LogStream::Fail(absl::Status error) {
  if (!failure_.has_value()) failure_ = std::move(error);
}

void LogStream::Advance() {
  if (finished_) return;
  const bool over = cancelled_ || failure_.has_value();
  if (over) fetched_.clear();
  if (!over && !writing_ && !fetched_.empty()) {
    response_ = std::move(fetched_.front());
    fetched_.pop_front();
    writing_ = true;
    // No buffer hint: gRPC 1.51 then leaves the last entries unsent until the next keepalive ping,
    // once the client's window was full.
    StartWrite(&response_);
  }
  if (!over && !fetching_ && fetched_.empty() && MayHaveMore()) {
    fetching_ = edge_.AddRead([self = shared_from_this()] { self->Fetch(); });
    if (!fetching_) Fail(ServerBusy());
  }
  if (writing_ || fetching_ || !fetched_.empty()) return;
  if (!cancelled_ && !failure_.has_value() && (follow_ || MayHaveMore())) return;
  finished_ = true;
  if (cancelled_) return Finish(grpc::Status::CANCELLED);
  Finish(edge_.Answer(kRule, failure_.value_or(absl::OkStatus())));
}

absl::Status LogStream::FindEnd() {
  if (last_ > 0) return absl::OkStatus();
  const absl::StatusOr<study::v1::Study> study = log::ReadStudy(store_, study_);
  if (!study.ok()) return study.status();
  last_ = follow_ ? std::numeric_limits<std::int64_t>::max() : study->log_head();
  return absl::OkStatus();
}

void LogStream::Fetch() {
  std::int64_t from = 0;
  {
    const absl::MutexLock lock(&mutex_);
    from = next_;
  }
  std::deque<intake::v1::ReadLogResponse> portion;
  std::size_t bytes = 0;
  absl::Status status = edge_.Recheck(
      *context_, kRule,
      access::RequestedResource{access::ResourceKind::kStudy, "study", study_.Format()});
  if (status.ok()) status = FindEnd();
  if (status.ok() && from <= last_) {
    status = log::ReadEntries(
        store_, study_, from, kMostFetched,
        [&](std::int64_t sequence, absl::string_view entry, absl::string_view hash) {
          bytes += entry.size();
          portion.emplace_back().set_entry(std::string(entry));
          portion.back().set_hash(std::string(hash));
          return sequence < last_ && bytes < kMostFetchedBytes;
        });
  }
  const absl::MutexLock lock(&mutex_);
  fetching_ = false;
  next_ = from + static_cast<std::int64_t>(portion.size());
  at_end_ = portion.empty();
  fetched_ = std::move(portion);
  if (!status.ok()) Fail(std::move(status));
  Advance();
}

}  // namespace plumule::rpc
