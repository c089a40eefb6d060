#include "clients/cli/import/delivery.h"

#include "absl/status/status.h"

namespace plumule::cli {
namespace {

using intake::v1::IntakeService;
using intake::v1::Receipt;

// Well below the 4 MiB of a request.
constexpr size_t kMostBytes = size_t{3} << 20;

template <class Response>
absl::Status Append(absl::StatusOr<Response> answer, size_t expected,
                    std::vector<Receipt>* receipts) {
  if (!answer.ok()) return answer.status();
  if (static_cast<size_t>(answer->receipts_size()) != expected) {
    return absl::InternalError("the server answered another number of records than it was sent");
  }
  for (auto& receipt : *answer->mutable_receipts()) receipts->push_back(std::move(receipt));
  return absl::OkStatus();
}

}  // namespace

std::vector<size_t> RequestEnds(const std::vector<DraftRecord>& records) {
  std::vector<size_t> ends;
  size_t begin = 0, bytes = 0, owner_begin = 0, owner_bytes = 0;
  for (size_t i = 0; i < records.size(); ++i) {
    if (i > 0 && records[i].owner != records[i - 1].owner) {
      owner_begin = i;
      owner_bytes = 0;
    }
    const size_t size = records[i].record.ByteSizeLong() + 16;
    if (i - begin == kMostRecordsPerRequest || bytes + size > kMostBytes) {
      // Before this owner if that leaves something, else in its midst.
      const bool whole = owner_begin > begin;
      ends.push_back(whole ? owner_begin : i);
      begin = ends.back();
      bytes = whole ? owner_bytes : 0;
    }
    bytes += size;
    owner_bytes += size;
  }
  if (begin < records.size()) ends.push_back(records.size());
  return ends;
}

absl::StatusOr<std::vector<Receipt>> Deliver(client::Connection& server, const std::string& study,
                                             const std::vector<DraftRecord>& records,
                                             Delivery delivery,
                                             const std::function<void(size_t)>& on_progress) {
  std::vector<Receipt> receipts;
  size_t begin = 0;
  for (const size_t end : RequestEnds(records)) {
    const auto fill = [&](auto* request) {
      request->set_study(study);
      for (size_t i = begin; i < end; ++i) *request->add_records() = records[i].record;
    };
    absl::Status status;
    if (delivery == Delivery::kTry) {
      intake::v1::TryRecordsRequest request;
      fill(&request);
      status =
          Append(server.Call(&IntakeService::Stub::TryRecords, request), end - begin, &receipts);
    } else {
      intake::v1::RecordBatchRequest request;
      fill(&request);
      status =
          Append(server.Call(&IntakeService::Stub::RecordBatch, request), end - begin, &receipts);
    }
    if (!status.ok()) return status;
    begin = end;
    if (on_progress) on_progress(receipts.size());
  }
  return receipts;
}

}  // namespace plumule::cli
