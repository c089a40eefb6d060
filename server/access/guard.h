// The gate that every call passes.
#pragma once

#include <optional>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "server/access/directory.h"
#include "server/access/method_table.h"
#include "server/access/resource_name.h"

namespace plumule::access {

// The resource that a request speaks of.
struct RequestedResource {
  ResourceKind kind;
  // The field of the request that holds its name.
  absl::string_view field;
  absl::string_view name;
};

// A call that may go on.
struct Admission {
  Caller caller;
  // Of methods that reach a community.
  ResourceName resource;
};

// Admits or denies by key, role and community, in that order, from the table in method_table.h
// alone. Looks no resource up, so that what it says can't tell whether one exists. Thread-safe;
// waits for nothing.
class Guard {
 public:
  // Not owned; must outlive the guard.
  explicit Guard(const Directory& directory) : directory_(directory) {}

  // `authorization` is the value of the request's metadata of that name, if it has one. `rule` is
  // null for methods that are not in the table; `resource` is absent for rules that reach the
  // server.
  //
  // UNAUTHENTICATED (`key_missing`, `key_not_valid`), PERMISSION_DENIED (`not_allowed`),
  // INVALID_ARGUMENT (`name_not_valid`).
  absl::StatusOr<Admission> Admit(const MethodRule* rule,
                                  std::optional<absl::string_view> authorization,
                                  const std::optional<RequestedResource>& resource) const;

 private:
  const Directory& directory_;
};

}  // namespace plumule::access
