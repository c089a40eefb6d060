#include "server/rpc/run_wait.h"

#include <algorithm>
#include <utility>

#include "absl/time/clock.h"
#include "server/protocol/reason.h"

namespace plumule::rpc {
namespace {

constexpr access::MethodRule kRule = access::RuleOf("plumule.analysis.v1.AnalysisService/GetRun");
constexpr int kLongestWait = 60;
constexpr absl::Duration kLongestInterval = absl::Milliseconds(500);

absl::Status BadWait() {
  return ReasonedError(
      absl::StatusCode::kInvalidArgument, "wait_not_valid", "wait_seconds is not within 0 and 60",
      {{"wait_seconds", "wait_not_valid", "Give 0 to 60, and ask again if the run goes on."}});
}

bool HasEnded(const analysis::v1::Run& run) {
  return run.state() != analysis::v1::RUN_STATE_QUEUED &&
         run.state() != analysis::v1::RUN_STATE_RUNNING;
}

}  // namespace

RunWait* RunWait::Open(Edge& edge, analysis::Runs& runs, grpc::CallbackServerContext* context,
                       const analysis::v1::GetRunRequest& request,
                       analysis::v1::GetRunResponse* response) {
  const absl::Time until = absl::Now() + absl::Seconds(request.wait_seconds());
  std::shared_ptr<RunWait> wait(new RunWait(edge, runs, request.name(), until, response));
  wait->self_ = wait;
  const auto admission =
      edge.Admit(*context, kRule,
                 access::RequestedResource{access::ResourceKind::kRun, "name", request.name()});
  if (!admission.ok()) {
    wait->End(admission.status());
  } else if (request.wait_seconds() < 0 || request.wait_seconds() > kLongestWait) {
    wait->End(BadWait());
  } else {
    wait->ScheduleLook();
  }
  return wait.get();
}

RunWait::RunWait(Edge& edge, analysis::Runs& runs, std::string name, absl::Time until,
                 analysis::v1::GetRunResponse* response)
    : edge_(edge),
      runs_(runs),
      name_(std::move(name)),
      until_(until),
      response_(response),
      ticket_(edge.calls()) {}

void RunWait::OnCancel() {
  const absl::MutexLock lock(&mutex_);
  cancelled_ = true;
  if (alarm_ != nullptr) alarm_->Cancel();
}

void RunWait::OnDone() {
  {
    // The alarm's reaction holds this call, which holds the alarm.
    const absl::MutexLock lock(&mutex_);
    alarm_.reset();
  }
  self_.reset();
}

void RunWait::ScheduleLook() {
  if (!edge_.AddRead([self = shared_from_this()] { self->Look(); })) End(ServerBusy());
}

void RunWait::Look() {
  absl::StatusOr<analysis::v1::Run> run = runs_.Get(name_);
  if (!run.ok()) return End(run.status());
  if (!HasEnded(*run) && absl::Now() < until_ && !edge_.calls().ending()) return LookLater();
  *response_->mutable_run() = *std::move(run);
  End(absl::OkStatus());
}

void RunWait::LookLater() {
  const absl::MutexLock lock(&mutex_);
  if (cancelled_) return End(absl::CancelledError());
  const absl::Time next = std::min(absl::Now() + interval_, until_);
  interval_ = std::min(2 * interval_, kLongestInterval);
  alarm_ = std::make_unique<grpc::Alarm>();
  alarm_->Set(absl::ToChronoTime(next),
              [self = shared_from_this()](bool) { self->ScheduleLook(); });
}

void RunWait::End(const absl::Status& status) { Finish(edge_.Answer(kRule, status)); }

}  // namespace plumule::rpc
