#include "server/access/guard.h"

#include <string>
#include <utility>

#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"

namespace plumule::access {
namespace {

constexpr absl::string_view kScheme = "bearer ";

absl::Status NotAllowed() {
  return ReasonedError(absl::StatusCode::kPermissionDenied, "not_allowed",
                       "this key may not do that; ask the organizer for one that may");
}

absl::StatusOr<absl::string_view> KeyIn(std::optional<absl::string_view> authorization) {
  if (!authorization.has_value() || !absl::StartsWithIgnoreCase(*authorization, kScheme)) {
    return ReasonedError(absl::StatusCode::kUnauthenticated, "key_missing",
                         "no key came with the call; send `authorization: Bearer KEY`");
  }
  return absl::StripAsciiWhitespace(authorization->substr(kScheme.size()));
}

bool MayReach(const Caller& caller, absl::string_view community) {
  return caller.role == v1::ROLE_OPERATOR || caller.community == community;
}

}  // namespace

absl::StatusOr<Admission> Guard::Admit(const MethodRule* rule,
                                       std::optional<absl::string_view> authorization,
                                       const std::optional<RequestedResource>& resource) const {
  PLUMULE_ASSIGN_OR_RETURN(const absl::string_view key, KeyIn(authorization));
  Admission admission;
  PLUMULE_ASSIGN_OR_RETURN(admission.caller, directory_.Prove(key));
  if (rule == nullptr || !rule->roles.Holds(admission.caller.role)) return NotAllowed();
  if (rule->reach == Reach::kServer) return admission;
  if (!resource.has_value()) return NotAllowed();
  PLUMULE_ASSIGN_OR_RETURN(admission.resource,
                           ParseResourceName(resource->kind, resource->field, resource->name));
  if (!MayReach(admission.caller, admission.resource.community)) return NotAllowed();
  return admission;
}

}  // namespace plumule::access
