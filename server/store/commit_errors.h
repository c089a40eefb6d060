// The answers of Store::Commit when it does not succeed, the same for every store.
#pragma once

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/string_view.h"
#include "server/protocol/reason.h"

namespace plumule::store {

inline absl::Status OutcomeUnknown(absl::string_view why) {
  return ReasonedError(absl::StatusCode::kUnavailable, "outcome_unknown",
                       absl::StrCat("the store can't say whether this was written (", why,
                                    "): send the same again once the server has restarted"));
}

inline absl::Status PreconditionFailed() {
  return ReasonedError(absl::StatusCode::kAborted, "precondition_failed",
                       "what this write relied on has changed: read it again and retry");
}

inline absl::Status StoreFull(absl::string_view why) {
  return ReasonedError(absl::StatusCode::kResourceExhausted, "store_full",
                       absl::StrCat("no room on the disk, nothing was written (", why,
                                    "): free some space and send it again"));
}

}  // namespace plumule::store
