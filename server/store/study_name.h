// Which study of which community.
#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"

namespace plumule::store {

// Ids are lower-case letters, digits and hyphens, 3 to 40 characters, so they hold no zero byte.
struct StudyName {
  std::string community;
  std::string study;

  // "communities/{community}/studies/{study}".
  std::string Format() const;

  friend bool operator==(const StudyName&, const StudyName&) = default;
  template <typename H>
  friend H AbslHashValue(H h, const StudyName& name) {
    return H::combine(std::move(h), name.community, name.study);
  }
};

// The inverse of Format. INVALID_ARGUMENT (`name_not_valid`).
absl::StatusOr<StudyName> ParseStudyName(absl::string_view text);

}  // namespace plumule::store
