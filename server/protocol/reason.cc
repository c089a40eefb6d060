#include "server/protocol/reason.h"

#include "absl/strings/cord.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"

namespace plumule {
namespace {

constexpr absl::string_view kPayload = "plumule/reason";

// The payload is a sequence of strings, each written as its length in decimal, a colon and its
// bytes: reason, retry delay in nanoseconds or nothing, number of metadata pairs, the pairs, and
// the violations to the end. It never leaves the process, so it needs no versions.
void Write(absl::string_view field, std::string* bytes) {
  absl::StrAppend(bytes, field.size(), ":", field);
}

// Takes the next string off `bytes`; nothing at the end or if it is malformed.
absl::optional<std::string> Take(absl::string_view* bytes) {
  const size_t colon = bytes->find(':');
  size_t length = 0;
  if (colon == absl::string_view::npos || !absl::SimpleAtoi(bytes->substr(0, colon), &length) ||
      length > bytes->size() - colon - 1) {
    return absl::nullopt;
  }
  std::string field(bytes->substr(colon + 1, length));
  bytes->remove_prefix(colon + 1 + length);
  return field;
}

std::string Encode(const ReasonDetails& details) {
  std::string bytes;
  Write(details.reason, &bytes);
  Write(details.retry_after ? absl::StrCat(absl::ToInt64Nanoseconds(*details.retry_after)) : "",
        &bytes);
  Write(absl::StrCat(details.metadata.size()), &bytes);
  for (const auto& [key, value] : details.metadata) {
    Write(key, &bytes);
    Write(value, &bytes);
  }
  for (const FieldViolation& violation : details.violations) {
    Write(violation.field, &bytes);
    Write(violation.reason, &bytes);
    Write(violation.description, &bytes);
  }
  return bytes;
}

absl::Status WithDetails(absl::Status status, const ReasonDetails& details) {
  status.SetPayload(kPayload, absl::Cord(Encode(details)));
  return status;
}

}  // namespace

absl::Status ReasonedError(absl::StatusCode code, absl::string_view reason,
                           absl::string_view message, std::vector<FieldViolation> violations) {
  ReasonDetails details;
  details.reason = std::string(reason);
  details.violations = std::move(violations);
  return WithDetails(absl::Status(code, message), details);
}

absl::Status WithMetadata(absl::Status status, absl::string_view key, absl::string_view value) {
  absl::optional<ReasonDetails> details = DetailsOf(status);
  if (!details) return status;
  details->metadata.emplace_back(key, value);
  return WithDetails(std::move(status), *details);
}

absl::Status WithRetryAfter(absl::Status status, absl::Duration delay) {
  absl::optional<ReasonDetails> details = DetailsOf(status);
  if (!details) return status;
  details->retry_after = delay;
  return WithDetails(std::move(status), *details);
}

std::string ReasonOf(const absl::Status& status) {
  const absl::optional<ReasonDetails> details = DetailsOf(status);
  return details ? details->reason : "";
}

absl::optional<ReasonDetails> DetailsOf(const absl::Status& status) {
  const absl::optional<absl::Cord> payload = status.GetPayload(kPayload);
  if (!payload) return absl::nullopt;
  const std::string bytes(*payload);
  absl::string_view rest = bytes;
  ReasonDetails details;
  const absl::optional<std::string> reason = Take(&rest);
  const absl::optional<std::string> delay = Take(&rest);
  const absl::optional<std::string> pairs = Take(&rest);
  int64_t nanoseconds = 0;
  size_t pair_count = 0;
  if (!reason || !delay || !pairs || !absl::SimpleAtoi(*pairs, &pair_count)) return absl::nullopt;
  details.reason = *reason;
  if (absl::SimpleAtoi(*delay, &nanoseconds)) {
    details.retry_after = absl::Nanoseconds(nanoseconds);
  }
  for (size_t i = 0; i < pair_count; ++i) {
    absl::optional<std::string> key = Take(&rest);
    absl::optional<std::string> value = Take(&rest);
    if (!key || !value) return absl::nullopt;
    details.metadata.emplace_back(*std::move(key), *std::move(value));
  }
  while (!rest.empty()) {
    absl::optional<std::string> field = Take(&rest);
    absl::optional<std::string> field_reason = Take(&rest);
    absl::optional<std::string> description = Take(&rest);
    if (!field || !field_reason || !description) return absl::nullopt;
    details.violations.push_back(
        {*std::move(field), *std::move(field_reason), *std::move(description)});
  }
  return details;
}

}  // namespace plumule
