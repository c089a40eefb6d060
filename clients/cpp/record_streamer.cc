#include "clients/cpp/record_streamer.h"

#include <utility>
#include <vector>

#include "absl/strings/str_cat.h"

namespace plumule::client {

RecordStreamer::RecordStreamer(Connection& connection, std::string study, OnReceipt on_receipt,
                               std::size_t window)
    : connection_(connection),
      study_(std::move(study)),
      on_receipt_(std::move(on_receipt)),
      window_(window),
      back_off_(connection.options().back_off, connection.options().uniform) {}

RecordStreamer::~RecordStreamer() {
  if (stream_ != nullptr) Disconnect(/*cancel=*/true).IgnoreError();
}

std::size_t RecordStreamer::unanswered() const {
  const absl::MutexLock lock(&mutex_);
  return unanswered_.size();
}

bool RecordStreamer::HasRoom() const { return broken_ || unanswered_.size() < window_; }

bool RecordStreamer::IsSettled() const { return broken_ || unanswered_.empty(); }

absl::Status RecordStreamer::Send(intake::v1::Record record) {
  if (stream_ == nullptr) Connect();
  while (true) {
    {
      const absl::MutexLock lock(&mutex_);
      mutex_.Await(absl::Condition(this, &RecordStreamer::HasRoom));
      if (!broken_) break;
    }
    if (const absl::Status status = Reconnect(); !status.ok()) return status;
  }
  intake::v1::RecordStreamRequest request;
  *request.mutable_record() = record;
  {
    const absl::MutexLock lock(&mutex_);
    unanswered_.push_back(std::move(record));
  }
  // A failed write shows in the reader too; the record is kept and is sent after reconnecting.
  stream_->Write(request);
  return absl::OkStatus();
}

absl::Status RecordStreamer::Finish() {
  if (stream_ == nullptr && unanswered() == 0) return absl::OkStatus();
  if (stream_ == nullptr) Connect();
  while (true) {
    {
      const absl::MutexLock lock(&mutex_);
      mutex_.Await(absl::Condition(this, &RecordStreamer::IsSettled));
      if (unanswered_.empty()) break;
    }
    if (const absl::Status status = Reconnect(); !status.ok()) return status;
  }
  // Everything is answered: how the stream ends changes nothing any more.
  stream_->WritesDone();
  Disconnect(/*cancel=*/false).IgnoreError();
  return absl::OkStatus();
}

void RecordStreamer::Connect() {
  context_ = std::make_unique<grpc::ClientContext>();
  connection_.Authorize(context_.get());
  stream_ = connection_.Of<intake::v1::IntakeService::Stub>().RecordStream(context_.get());
  {
    const absl::MutexLock lock(&mutex_);
    broken_ = false;
    progressed_ = false;
  }
  reader_ = std::thread([this, stream = stream_.get()] { ReadReceipts(stream); });
  intake::v1::RecordStreamRequest first;
  first.set_study(study_);
  if (stream_->Write(first)) WriteUnanswered();
}

void RecordStreamer::WriteUnanswered() {
  std::vector<intake::v1::Record> again;
  {
    const absl::MutexLock lock(&mutex_);
    again.assign(unanswered_.begin(), unanswered_.end());
  }
  for (intake::v1::Record& record : again) {
    intake::v1::RecordStreamRequest request;
    *request.mutable_record() = std::move(record);
    // A stream that broke meanwhile shows in the reader.
    if (!stream_->Write(request)) return;
  }
}

absl::Status RecordStreamer::Reconnect() {
  absl::Status error = Disconnect(/*cancel=*/false);
  {
    const absl::MutexLock lock(&mutex_);
    if (confused_) return absl::InternalError("the server answered a record that was not next");
    if (progressed_) back_off_.Reset();
  }
  // A server that ends a stream without a word is one that went away.
  if (error.ok()) error = absl::UnavailableError("the server ended the stream");
  if (!back_off_.MayRetry(error)) return error;
  connection_.WaitToRetry(back_off_.Next(error));
  Connect();
  return absl::OkStatus();
}

absl::Status RecordStreamer::Disconnect(bool cancel) {
  if (cancel) context_->TryCancel();
  reader_.join();
  const absl::Status status = connection_.StatusOf(stream_->Finish());
  stream_.reset();
  context_.reset();
  return status;
}

void RecordStreamer::ReadReceipts(Stream* stream) {
  intake::v1::RecordStreamResponse response;
  while (stream->Read(&response)) {
    for (const intake::v1::Receipt& receipt : response.receipts()) {
      if (Settle(receipt)) continue;
      context_->TryCancel();
      break;
    }
  }
  const absl::MutexLock lock(&mutex_);
  broken_ = true;
}

bool RecordStreamer::Settle(const intake::v1::Receipt& receipt) {
  intake::v1::Record record;
  {
    const absl::MutexLock lock(&mutex_);
    if (unanswered_.empty() || unanswered_.front().record_id() != receipt.record_id()) {
      confused_ = true;
      return false;
    }
    record = unanswered_.front();
  }
  on_receipt_(record, receipt);
  const absl::MutexLock lock(&mutex_);
  unanswered_.pop_front();
  progressed_ = true;
  return true;
}

}  // namespace plumule::client
