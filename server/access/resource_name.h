// Names of things as they stand in requests: "communities/balcony/studies/basil/freezes/1".
#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "server/store/study_name.h"

namespace plumule::access {

// What a name names.
enum class ResourceKind {
  kCommunity,  // communities/{community}
  kKey,        // communities/{community}/keys/{key}
  kStudy,      // communities/{community}/studies/{study}
  kFreeze,     // communities/{community}/studies/{study}/freezes/{number}
  kRun,        // communities/{community}/studies/{study}/runs/{run}
  kResult,     // communities/{community}/studies/{study}/results/{result}
};

// The parts of a name.
struct ResourceName {
  ResourceKind kind = ResourceKind::kCommunity;
  std::string community;
  // Empty for communities and keys.
  std::string study;
  // Last part of a key's, freeze's, run's or result's name; empty else.
  std::string leaf;

  // The name in full.
  std::string Format() const;
  // The study that it belongs to.
  store::StudyName study_name() const { return {community, study}; }
};

// Reads a name of one kind. INVALID_ARGUMENT (`name_not_valid`) with a violation of `field` that
// shows the form expected. Looks nothing up.
absl::StatusOr<ResourceName> ParseResourceName(ResourceKind kind, absl::string_view field,
                                               absl::string_view name);

// True for ids that communities and studies may have: lower-case letters, digits, hyphens, 3 to 40
// characters, starting with a letter.
bool IsChosenId(absl::string_view id);

}  // namespace plumule::access
