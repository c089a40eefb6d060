// Sends many records over one stream and keeps what has no receipt yet.
#pragma once

#include <cstddef>
#include <deque>
#include <functional>
#include <memory>
#include <string>
#include <thread>

#include "absl/base/thread_annotations.h"
#include "absl/status/status.h"
#include "absl/synchronization/mutex.h"
#include "clients/cpp/back_off.h"
#include "clients/cpp/connection.h"
#include "plumule/intake/v1/intake_service.grpc.pb.h"

namespace plumule::client {

// One stream of records to one study. After a broken connection it connects again, by itself, and
// sends anew whatever has no receipt; record ids make that safe.
//
// Send and Finish belong to one thread. Receipts are reported on a thread of the streamer, one
// after the other, in the order of sending. A record is reported once, however often it was sent.
class RecordStreamer {
 public:
  using OnReceipt =
      std::function<void(const intake::v1::Record&, const intake::v1::Receipt& receipt)>;

  // `connection` must outlive the streamer. At most `window` records (below the server's 10,000)
  // are unanswered at a time: then Send waits.
  RecordStreamer(Connection& connection, std::string study, OnReceipt on_receipt,
                 std::size_t window = 2000);
  // Breaks the stream off if Finish was not called.
  ~RecordStreamer();
  RecordStreamer(const RecordStreamer&) = delete;
  RecordStreamer& operator=(const RecordStreamer&) = delete;

  // Sends a record, or waits for room first. An error is final: the server refused the stream, or
  // could not be reached in the attempts allowed. Records without a receipt may or may not be
  // stored then; send them again.
  absl::Status Send(intake::v1::Record record);

  // Waits for all receipts and ends the stream.
  absl::Status Finish();

  // Records sent that have no receipt yet. From any thread.
  std::size_t unanswered() const;

 private:
  using Stream =
      grpc::ClientReaderWriter<intake::v1::RecordStreamRequest, intake::v1::RecordStreamResponse>;

  void Connect();
  absl::Status Reconnect();
  // Ends the current stream and gives its status.
  absl::Status Disconnect(bool cancel);
  // Sends what has no receipt once more.
  void WriteUnanswered();
  void ReadReceipts(Stream* stream);
  // Matches a receipt to the oldest record without one; false if it is not for that record.
  bool Settle(const intake::v1::Receipt& receipt);
  bool HasRoom() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);
  bool IsSettled() const ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_);

  Connection& connection_;
  const std::string study_;
  const OnReceipt on_receipt_;
  const std::size_t window_;
  BackOff back_off_;

  // Of the sending thread.
  std::unique_ptr<grpc::ClientContext> context_;
  std::unique_ptr<Stream> stream_;
  std::thread reader_;

  mutable absl::Mutex mutex_;
  // Sent or about to be, oldest first.
  std::deque<intake::v1::Record> unanswered_ ABSL_GUARDED_BY(mutex_);
  // The reader of the current stream has ended.
  bool broken_ ABSL_GUARDED_BY(mutex_) = false;
  // The server answered something that was not asked.
  bool confused_ ABSL_GUARDED_BY(mutex_) = false;
  // Receipts since the last connection, which show that it was of use.
  bool progressed_ ABSL_GUARDED_BY(mutex_) = false;
};

}  // namespace plumule::client
