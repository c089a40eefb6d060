#include "server/access/resource_name.h"

#include <algorithm>
#include <vector>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"
#include "server/protocol/reason.h"

namespace plumule::access {
namespace {

constexpr std::size_t kLongestName = 200;

// The word before the last part; empty where there is none.
absl::string_view Collection(ResourceKind kind) {
  switch (kind) {
    case ResourceKind::kKey:
      return "keys";
    case ResourceKind::kFreeze:
      return "freezes";
    case ResourceKind::kRun:
      return "runs";
    case ResourceKind::kResult:
      return "results";
    case ResourceKind::kCommunity:
    case ResourceKind::kStudy:
      break;
  }
  return "";
}

bool InStudy(ResourceKind kind) {
  return kind != ResourceKind::kCommunity && kind != ResourceKind::kKey;
}

std::string Form(ResourceKind kind) {
  std::string form = "communities/{community}";
  if (InStudy(kind)) form += "/studies/{study}";
  const absl::string_view collection = Collection(kind);
  if (!collection.empty()) absl::StrAppend(&form, "/", collection, "/{id}");
  return form;
}

bool IsLeaf(absl::string_view leaf) {
  return !leaf.empty() && leaf.size() <= 64 && std::all_of(leaf.begin(), leaf.end(), [](char c) {
    return absl::ascii_islower(static_cast<unsigned char>(c)) ||
           absl::ascii_isdigit(static_cast<unsigned char>(c)) || c == '-';
  });
}

bool Split(ResourceKind kind, absl::string_view name, ResourceName* parts) {
  if (name.size() > kLongestName) return false;
  const std::vector<std::string> words = absl::StrSplit(name, '/');
  const absl::string_view collection = Collection(kind);
  const std::size_t expected = 2u + (InStudy(kind) ? 2u : 0u) + (collection.empty() ? 0u : 2u);
  if (words.size() != expected || words[0] != "communities" || !IsChosenId(words[1])) return false;
  parts->kind = kind;
  parts->community = words[1];
  if (InStudy(kind)) {
    if (words[2] != "studies" || !IsChosenId(words[3])) return false;
    parts->study = words[3];
  }
  if (collection.empty()) return true;
  if (words[expected - 2] != collection || !IsLeaf(words[expected - 1])) return false;
  parts->leaf = words[expected - 1];
  return true;
}

}  // namespace

bool IsChosenId(absl::string_view id) {
  return id.size() >= 3 && id.size() <= 40 &&
         absl::ascii_islower(static_cast<unsigned char>(id.front())) &&
         std::all_of(id.begin(), id.end(), [](char c) {
           return absl::ascii_islower(static_cast<unsigned char>(c)) ||
                  absl::ascii_isdigit(static_cast<unsigned char>(c)) || c == '-';
         });
}

std::string ResourceName::Format() const {
  std::string name =
      InStudy(kind) ? study_name().Format() : absl::StrCat("communities/", community);
  if (!leaf.empty()) absl::StrAppend(&name, "/", Collection(kind), "/", leaf);
  return name;
}

absl::StatusOr<ResourceName> ParseResourceName(ResourceKind kind, absl::string_view field,
                                               absl::string_view name) {
  ResourceName parts;
  if (Split(kind, name, &parts)) return parts;
  const std::string form = Form(kind);
  return ReasonedError(
      absl::StatusCode::kInvalidArgument, "name_not_valid",
      absl::StrCat("`", field, "` is not a name of the form ", form),
      {{std::string(field), "name_not_valid",
        absl::StrCat("Give a name of the form ", form,
                     "; ids have lower-case letters, digits and hyphens, 3 to 40 characters, and "
                     "start with a letter.")}});
}

}  // namespace plumule::access
