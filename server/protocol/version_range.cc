#include "server/protocol/version_range.h"

#include <algorithm>

#include "absl/strings/ascii.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"
#include "absl/strings/strip.h"
#include "server/protocol/reason.h"
#include "server/protocol/spelling.h"

namespace plumule::protocol {
namespace {

// A number without sign or leading zeros, at most nine digits; absent for anything else.
absl::optional<std::int64_t> ParseNumber(absl::string_view text) {
  if (text.empty() || text.size() > 9 || (text.size() > 1 && text[0] == '0') ||
      !std::all_of(text.begin(), text.end(),
                   [](char c) { return absl::ascii_isdigit(static_cast<unsigned char>(c)); })) {
    return absl::nullopt;
  }
  std::int64_t number = 0;
  return absl::SimpleAtoi(text, &number) ? absl::make_optional(number) : absl::nullopt;
}

bool IsLabel(absl::string_view text) {
  return !text.empty() && std::all_of(text.begin(), text.end(), [](char c) {
    return absl::ascii_isalnum(static_cast<unsigned char>(c)) || c == '-' || c == '.';
  });
}

}  // namespace

absl::optional<Version> ParseVersion(absl::string_view text) {
  const size_t plus = text.find('+');
  if (plus != absl::string_view::npos) {
    if (!IsLabel(text.substr(plus + 1))) return absl::nullopt;
    text = text.substr(0, plus);
  }
  Version version;
  const size_t hyphen = text.find('-');
  if (hyphen != absl::string_view::npos) {
    if (!IsLabel(text.substr(hyphen + 1))) return absl::nullopt;
    version.is_release = false;
    text = text.substr(0, hyphen);
  }
  const std::vector<absl::string_view> parts = absl::StrSplit(text, '.');
  if (parts.size() != 3) return absl::nullopt;
  const auto major = ParseNumber(parts[0]), minor = ParseNumber(parts[1]),
             patch = ParseNumber(parts[2]);
  if (!major || !minor || !patch) return absl::nullopt;
  version.major = *major;
  version.minor = *minor;
  version.patch = *patch;
  return version;
}

absl::StatusOr<VersionRange> VersionRange::Parse(absl::string_view text) {
  VersionRange range;
  for (absl::string_view part : absl::StrSplit(text, ' ', absl::SkipEmpty())) {
    const absl::string_view whole = part;
    Comparison comparison = Comparison::kEqual;
    if (absl::ConsumePrefix(&part, ">=")) {
      comparison = Comparison::kAtLeast;
    } else if (absl::ConsumePrefix(&part, ">")) {
      comparison = Comparison::kAbove;
    } else if (absl::ConsumePrefix(&part, "<=")) {
      comparison = Comparison::kAtMost;
    } else if (absl::ConsumePrefix(&part, "<")) {
      comparison = Comparison::kBelow;
    } else {
      absl::ConsumePrefix(&part, "=");
    }
    const absl::optional<Version> version = ParseVersion(part);
    if (!version) {
      return ReasonedError(absl::StatusCode::kInvalidArgument, "version_range_malformed",
                           absl::StrCat(Quote(whole),
                                        " is not a comparison with a version; write "
                                        "comparisons separated by spaces, such as "
                                        "\">=1.0.0 <2.0.0\""));
    }
    range.bounds_.push_back({comparison, *version});
  }
  return range;
}

bool VersionRange::Contains(const Version& version) const {
  return std::all_of(bounds_.begin(), bounds_.end(), [&](const Bound& bound) {
    switch (bound.comparison) {
      case Comparison::kAtLeast:
        return version >= bound.version;
      case Comparison::kAbove:
        return version > bound.version;
      case Comparison::kAtMost:
        return version <= bound.version;
      case Comparison::kBelow:
        return version < bound.version;
      case Comparison::kEqual:
        return version == bound.version;
    }
    return false;
  });
}

bool VersionRange::CanBeSatisfied() const {
  if (bounds_.empty()) return true;
  // If any version satisfies all bounds, then so does a bound itself, its release, the next patch
  // after it, or 0.0.0.
  std::vector<Version> candidates = {Version{}};
  for (const Bound& bound : bounds_) {
    Version candidate = bound.version;
    candidates.push_back(candidate);
    candidate.is_release = true;
    candidates.push_back(candidate);
    ++candidate.patch;
    candidates.push_back(candidate);
  }
  return std::any_of(candidates.begin(), candidates.end(),
                     [this](const Version& version) { return Contains(version); });
}

}  // namespace plumule::protocol
