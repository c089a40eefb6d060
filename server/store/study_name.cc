#include "server/store/study_name.h"

#include <vector>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"
#include "server/protocol/reason.h"

namespace plumule::store {
namespace {

bool IsId(absl::string_view id) {
  if (id.size() < 3 || id.size() > 40 || !absl::ascii_islower(static_cast<unsigned char>(id[0]))) {
    return false;
  }
  for (const char c : id) {
    const auto byte = static_cast<unsigned char>(c);
    if (!absl::ascii_islower(byte) && !absl::ascii_isdigit(byte) && c != '-') return false;
  }
  return true;
}

}  // namespace

std::string StudyName::Format() const {
  return absl::StrCat("communities/", community, "/studies/", study);
}

absl::StatusOr<StudyName> ParseStudyName(absl::string_view text) {
  const std::vector<absl::string_view> parts = absl::StrSplit(text, '/');
  if (parts.size() == 4 && parts[0] == "communities" && parts[2] == "studies" && IsId(parts[1]) &&
      IsId(parts[3])) {
    return StudyName{std::string(parts[1]), std::string(parts[3])};
  }
  return ReasonedError(absl::StatusCode::kInvalidArgument, "name_not_valid",
                       "the study's name must read communities/{community}/studies/{study}");
}

}  // namespace plumule::store
