#include "clients/cpp/error.h"

#include "absl/strings/str_cat.h"

namespace plumule::client {
namespace {

constexpr char kPayload[] = "type.googleapis.com/google.rpc.Status";

// The first detail of type Detail that the status carries.
template <class Detail>
std::optional<Detail> FindDetail(const absl::Status& status) {
  const absl::optional<absl::Cord> payload = status.GetPayload(kPayload);
  google::rpc::Status rich;
  if (!payload.has_value() || !rich.ParseFromString(std::string(*payload))) return std::nullopt;
  for (const google::protobuf::Any& any : rich.details()) {
    Detail detail;
    if (any.Is<Detail>() && any.UnpackTo(&detail)) return detail;
  }
  return std::nullopt;
}

}  // namespace

absl::Status FromGrpc(const grpc::Status& status) {
  if (status.ok()) return absl::OkStatus();
  absl::Status error(static_cast<absl::StatusCode>(status.error_code()), status.error_message());
  if (!status.error_details().empty()) {
    error.SetPayload(kPayload, absl::Cord(status.error_details()));
  }
  return error;
}

std::string Reason(const absl::Status& status) {
  const auto detail = FindDetail<google::rpc::ErrorInfo>(status);
  return detail.has_value() ? detail->reason() : "";
}

std::vector<google::rpc::BadRequest::FieldViolation> FieldViolations(const absl::Status& status) {
  const auto detail = FindDetail<google::rpc::BadRequest>(status);
  if (!detail.has_value()) return {};
  return {detail->field_violations().begin(), detail->field_violations().end()};
}

std::optional<absl::Duration> RetryDelay(const absl::Status& status) {
  const auto detail = FindDetail<google::rpc::RetryInfo>(status);
  if (!detail.has_value()) return std::nullopt;
  return absl::Seconds(detail->retry_delay().seconds()) +
         absl::Nanoseconds(detail->retry_delay().nanos());
}

bool IsTransient(const absl::Status& status) {
  return absl::IsUnavailable(status) ||
         (absl::IsResourceExhausted(status) && RetryDelay(status).has_value());
}

std::string Explain(const absl::Status& status) {
  if (status.ok()) return "done";
  std::string text(status.message());
  if (text.empty()) text = absl::StatusCodeToString(status.code());
  for (const auto& violation : FieldViolations(status)) {
    absl::StrAppend(&text, "\n  ", violation.field().empty() ? "" : violation.field() + ": ",
                    violation.description());
    if (!violation.reason().empty()) absl::StrAppend(&text, " (", violation.reason(), ")");
  }
  return text;
}

}  // namespace plumule::client
