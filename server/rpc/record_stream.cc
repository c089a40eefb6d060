#include "server/rpc/record_stream.h"

#include <algorithm>
#include <string>
#include <utility>

#include "absl/time/clock.h"
#include "absl/time/time.h"
#include "server/protocol/reason.h"
#include "server/rpc/actor.h"

namespace plumule::rpc {
namespace {

constexpr access::MethodRule kRule = access::RuleOf("plumule.intake.v1.IntakeService/RecordStream");
constexpr std::size_t kMostSubmittedBytes = std::size_t{2} << 20;
// A message of receipts stays well below what clients accept.
constexpr std::size_t kMostReceiptBytes = std::size_t{1} << 20;
constexpr int kMostReceipts = 1'000;

absl::Status NoStudyFirst() {
  return ReasonedError(absl::StatusCode::kInvalidArgument, "stream_without_study",
                       "the first message of the stream does not name a study",
                       {{"study", "stream_without_study",
                         "Send the name of the study first, then one record a message."}});
}

absl::Status NoRecord() {
  return ReasonedError(
      absl::StatusCode::kInvalidArgument, "stream_message_not_valid",
      "a message of the stream carries no record",
      {{"record", "stream_message_not_valid", "Name the study once, then send records only."}});
}

}  // namespace

RecordStream* RecordStream::Open(Edge& edge, intake::Intake& intake,
                                 grpc::CallbackServerContext* context) {
  std::shared_ptr<RecordStream> stream(new RecordStream(edge, intake, context));
  stream->self_ = stream;
  edge.calls().Enter(stream.get());
  const absl::MutexLock lock(&stream->mutex_);
  // Its first message may never come.
  if (edge.calls().ending()) stream->Fail(ServerStopping());
  stream->Advance();
  return stream.get();
}

RecordStream::RecordStream(Edge& edge, intake::Intake& intake, grpc::CallbackServerContext* context)
    : edge_(edge), intake_(intake), context_(context), ticket_(edge.calls()) {}

void RecordStream::EndSoon() {
  const absl::MutexLock lock(&mutex_);
  Fail(ServerStopping());
  Advance();
}

void RecordStream::OnReadDone(bool ok) {
  const absl::MutexLock lock(&mutex_);
  reading_ = false;
  if (!ok) {
    client_done_ = true;
  } else if (!admission_.has_value()) {
    Begin();
  } else {
    TakeRecord();
  }
  Advance();
}

void RecordStream::Begin() {
  if (!request_.has_study()) return Fail(NoStudyFirst());
  auto admission = edge_.Admit(
      *context_, kRule,
      access::RequestedResource{access::ResourceKind::kStudy, "study", request_.study()});
  if (!admission.ok()) return Fail(admission.status());
  admission_ = *std::move(admission);
}

void RecordStream::TakeRecord() {
  if (!request_.has_record()) return Fail(NoRecord());
  unanswered_.push_back(request_.record().ByteSizeLong());
  unanswered_bytes_ += unanswered_.back();
  buffer_.push_back(std::move(*request_.mutable_record()));
}

void RecordStream::OnWriteDone(bool ok) {
  const absl::MutexLock lock(&mutex_);
  writing_ = false;
  if (!ok) cancelled_ = true;
  for (int i = 0; i < response_.receipts_size(); ++i) {
    unanswered_bytes_ -= unanswered_.front();
    unanswered_.pop_front();
  }
  Advance();
}

void RecordStream::OnCancel() {
  const absl::MutexLock lock(&mutex_);
  cancelled_ = true;
  if (retry_ != nullptr) retry_->Cancel();
  Advance();
}

void RecordStream::OnDone() {
  edge_.calls().Leave(this);
  {
    // The alarm's reaction holds this stream, which holds the alarm.
    const absl::MutexLock lock(&mutex_);
    retry_.reset();
  }
  self_.reset();
}

void RecordStream::Fail(absl::Status error) {
  if (!failure_.has_value()) failure_ = std::move(error);
}

void RecordStream::Advance() {
  if (finished_) return;
  if (cancelled_) receipts_.clear();
  if (!TakesMore()) buffer_.clear();
  WriteReceipts();
  ReadMore();
  ScheduleSubmission();
  FinishIfOver();
}

void RecordStream::WriteReceipts() {
  if (writing_ || receipts_.empty()) return;
  response_.clear_receipts();
  std::size_t bytes = 0;
  while (!receipts_.empty() && response_.receipts_size() < kMostReceipts &&
         bytes < kMostReceiptBytes) {
    bytes += receipts_.front().ByteSizeLong();
    *response_.add_receipts() = std::move(receipts_.front());
    receipts_.pop_front();
  }
  writing_ = true;
  StartWrite(&response_);
}

void RecordStream::ReadMore() {
  const bool room =
      unanswered_.size() < kMostUnanswered && unanswered_bytes_ < kMostUnansweredBytes;
  if (reading_ || client_done_ || !TakesMore() || !room) return;
  reading_ = true;
  StartRead(&request_);
}

void RecordStream::ScheduleSubmission() {
  if (submitting_ || waiting_ || buffer_.empty() || submissions_ >= kMostSubmissions) return;
  submitting_ = true;
  if (edge_.AddRead([self = shared_from_this()] { self->SubmitBuffered(); })) return;
  submitting_ = false;
  Fail(ServerBusy());
  buffer_.clear();
}

void RecordStream::SubmitBuffered() {
  auto sent = std::make_shared<std::vector<intake::v1::Record>>();
  store::StudyName study;
  intake::Actor actor;
  {
    const absl::MutexLock lock(&mutex_);
    std::size_t bytes = 0;
    while (!buffer_.empty() && sent->size() < intake::kMostRecords && bytes < kMostSubmittedBytes) {
      bytes += buffer_.front().ByteSizeLong();
      sent->push_back(std::move(buffer_.front()));
      buffer_.pop_front();
    }
    if (sent->empty()) {
      submitting_ = false;
      Advance();
      return;
    }
    study = admission_->resource.study_name();
    actor = ActorOf(admission_->caller);
    ++submissions_;
  }
  const absl::Status allowed = edge_.Recheck(
      *context_, kRule,
      access::RequestedResource{access::ResourceKind::kStudy, "study", study.Format()});
  if (!allowed.ok()) return GiveUpSubmission(allowed);
  std::vector<intake::v1::Record> records = *sent;
  intake_.Submit(study, std::move(records), std::move(actor),
                 [self = shared_from_this(), sent](intake::Answers answers) {
                   self->Answered(sent, std::move(answers));
                 });
  const absl::MutexLock lock(&mutex_);
  submitting_ = false;
  Advance();
}

void RecordStream::GiveUpSubmission(absl::Status error) {
  const absl::MutexLock lock(&mutex_);
  --submissions_;
  submitting_ = false;
  Fail(std::move(error));
  Advance();
}

void RecordStream::Answered(const std::shared_ptr<std::vector<intake::v1::Record>>& sent,
                            intake::Answers answers) {
  const absl::MutexLock lock(&mutex_);
  --submissions_;
  if (answers.ok()) {
    for (intake::Answer& answer : *answers) receipts_.push_back(std::move(answer.receipt));
  } else if (ReasonOf(answers.status()) == "intake_queue_full") {
    // Said within Submit, so nothing of this stream was queued after these.
    buffer_.insert(buffer_.begin(), std::make_move_iterator(sent->begin()),
                   std::make_move_iterator(sent->end()));
    SubmitLater(DetailsOf(answers.status())->retry_after.value_or(absl::Milliseconds(20)));
  } else {
    Fail(answers.status());
  }
  Advance();
}

void RecordStream::SubmitLater(absl::Duration delay) {
  waiting_ = true;
  retry_ = std::make_unique<grpc::Alarm>();
  retry_->Set(absl::ToChronoTime(absl::Now() + delay), [self = shared_from_this()](bool) {
    const absl::MutexLock lock(&self->mutex_);
    self->waiting_ = false;
    self->Advance();
  });
}

void RecordStream::FinishIfOver() {
  const bool busy = writing_ || !receipts_.empty() || submissions_ > 0 || submitting_ || waiting_;
  const bool complete = client_done_ && buffer_.empty();
  if (busy || (TakesMore() && !complete)) return;
  finished_ = true;
  if (cancelled_) return Finish(grpc::Status::CANCELLED);
  Finish(edge_.Answer(kRule, failure_.value_or(absl::OkStatus())));
}

}  // namespace plumule::rpc
