// How a refusal travels through plumule: an absl::Status with a stable reason beside its words.
//
// Domain code makes such a status with ReasonedError; the RPC edge (server/rpc/error.h) reads it
// back with DetailsOf and turns it into google.rpc details. Nothing in between needs to know.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "absl/status/status.h"
#include "absl/strings/string_view.h"
#include "absl/time/time.h"
#include "absl/types/optional.h"

namespace plumule {

// One field of a request that is wrong.
struct FieldViolation {
  // Path in the request, `protocol.calendar.closes_on`.
  std::string field;
  // Stable reason in lower_snake_case.
  std::string reason;
  // What is wrong and what to do.
  std::string description;

  friend bool operator==(const FieldViolation&, const FieldViolation&) = default;
};

// All that a reasoned status carries beside its code and message.
struct ReasonDetails {
  // Stable reason in lower_snake_case, listed in DEVELOPERS.md.
  std::string reason;
  // Facts a program may want, in the order in which they were added.
  std::vector<std::pair<std::string, std::string>> metadata;
  // Fields that are wrong, all of them.
  std::vector<FieldViolation> violations;
  // How long to wait before trying again; absent: trying again will not help, or needs no wait.
  absl::optional<absl::Duration> retry_after;
};

// A status with a reason. `code` must not be OK. `message` says what happened, where and what to
// do.
absl::Status ReasonedError(absl::StatusCode code, absl::string_view reason,
                           absl::string_view message, std::vector<FieldViolation> violations = {});

// `status` with one more fact. A status without a reason, and OK, are returned unchanged.
absl::Status WithMetadata(absl::Status status, absl::string_view key, absl::string_view value);

// `status` with a time to wait, kept to the nanosecond. A status without a reason, and OK, are
// returned unchanged.
absl::Status WithRetryAfter(absl::Status status, absl::Duration delay);

// The reason of `status`; empty if it has none.
std::string ReasonOf(const absl::Status& status);

// Everything beside code and message; absent if `status` has no reason.
absl::optional<ReasonDetails> DetailsOf(const absl::Status& status);

}  // namespace plumule
