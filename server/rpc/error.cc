#include "server/rpc/error.h"

#include <string>

#include "google/rpc/status.pb.h"
#include "server/protocol/reason.h"

namespace plumule::rpc {
namespace {

constexpr char kDomain[] = "plumule";
// Trailing metadata must fit, in base64, into the 8 KiB that clients accept by default.
constexpr std::size_t kMostViolationBytes = 4 * 1024;
constexpr char kUnexplained[] =
    "the server could not do this; its log says why. Try again, and tell the operator if it stays";

// At least what a violation takes when serialized.
std::size_t BytesOf(const FieldViolation& violation) {
  return violation.field.size() + violation.reason.size() + violation.description.size() + 16;
}

google::rpc::ErrorInfo ErrorInfoOf(const ReasonDetails& details) {
  google::rpc::ErrorInfo info;
  info.set_reason(details.reason);
  info.set_domain(kDomain);
  for (const auto& [key, value] : details.metadata) (*info.mutable_metadata())[key] = value;
  // Tells a client that some of them had to be left out.
  if (!details.violations.empty()) {
    (*info.mutable_metadata())["field_violations"] = std::to_string(details.violations.size());
  }
  return info;
}

void AddRetryInfo(absl::Duration delay, google::rpc::Status* rich) {
  google::rpc::RetryInfo retry;
  retry.mutable_retry_delay()->set_seconds(absl::IDivDuration(delay, absl::Seconds(1), &delay));
  retry.mutable_retry_delay()->set_nanos(
      static_cast<std::int32_t>(absl::ToInt64Nanoseconds(delay)));
  rich->add_details()->PackFrom(retry);
}

// As many violations as fit.
void AddViolations(const ReasonDetails& details, google::rpc::Status* rich) {
  google::rpc::BadRequest bad;
  std::size_t bytes = 0;
  for (const FieldViolation& violation : details.violations) {
    bytes += BytesOf(violation);
    if (bytes > kMostViolationBytes) break;
    auto* field = bad.add_field_violations();
    field->set_field(violation.field);
    field->set_reason(violation.reason);
    field->set_description(violation.description);
  }
  if (bad.field_violations_size() > 0) rich->add_details()->PackFrom(bad);
}

ReasonDetails Unexplained() {
  ReasonDetails details;
  details.reason = "internal";
  return details;
}

}  // namespace

grpc::Status ToGrpcStatus(const absl::Status& status) {
  if (status.ok()) return grpc::Status::OK;
  const absl::optional<ReasonDetails> given = DetailsOf(status);
  const ReasonDetails details = given.has_value() ? *given : Unexplained();
  google::rpc::Status rich;
  rich.set_code(static_cast<int>(status.code()));
  rich.set_message(given.has_value() ? std::string(status.message()) : kUnexplained);
  rich.add_details()->PackFrom(ErrorInfoOf(details));
  if (details.retry_after.has_value()) AddRetryInfo(*details.retry_after, &rich);
  AddViolations(details, &rich);
  return grpc::Status(static_cast<grpc::StatusCode>(status.code()), rich.message(),
                      rich.SerializeAsString());
}

}  // namespace plumule::rpc
