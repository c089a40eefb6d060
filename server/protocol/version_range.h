// Ranges of semantic versions, as an analysis names the versions of its plugin: comparisons
// separated by spaces, all of which must hold, ">=1.0.0 <2.0.0".
#pragma once

#include <array>
#include <cstdint>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "absl/types/optional.h"

namespace plumule::protocol {

// major.minor.patch of Semantic Versioning 2.0.0. A pre-release ("1.2.0-rc.1") comes just before
// its release; pre-releases of one release are not told apart, and build metadata is left out.
struct Version {
  std::int64_t major = 0, minor = 0, patch = 0;
  bool is_release = true;

  friend auto operator<=>(const Version&, const Version&) = default;
};

// The version that `text` spells; absent if it is none.
absl::optional<Version> ParseVersion(absl::string_view text);

class VersionRange {
 public:
  // INVALID_ARGUMENT (`version_range_malformed`) if `text` is no range. Empty text: any version.
  static absl::StatusOr<VersionRange> Parse(absl::string_view text);

  bool Contains(const Version& version) const;
  // False if no release can satisfy it.
  bool CanBeSatisfied() const;

 private:
  enum class Comparison { kAtLeast, kAbove, kAtMost, kBelow, kEqual };
  struct Bound {
    Comparison comparison;
    Version version;
  };
  std::vector<Bound> bounds_;
};

}  // namespace plumule::protocol
