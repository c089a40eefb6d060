#include "clients/cli/print/json.h"

#include <google/protobuf/util/json_util.h>

#include <algorithm>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"

namespace plumule::cli {
namespace {

// protobuf's JSON parser recurses; results nest less than this.
bool NestsTooDeep(absl::string_view json) {
  constexpr int kDeepest = 64;
  int depth = 0;
  bool in_string = false;
  for (size_t i = 0; i < json.size(); ++i) {
    const char c = json[i];
    if (in_string) {
      if (c == '\\') ++i;
      if (c == '"') in_string = false;
      continue;
    }
    if (c == '"') in_string = true;
    if (c == '{' || c == '[') depth = std::max(depth, 0) + 1;
    if (c == '}' || c == ']') --depth;
    if (depth > kDeepest) return true;
  }
  return false;
}

}  // namespace

std::string ToJson(const google::protobuf::Message& message) {
  google::protobuf::util::JsonPrintOptions options;
  options.add_whitespace = true;
  options.always_print_primitive_fields = true;
  options.preserve_proto_field_names = true;
  std::string json;
  // Fails only for messages with Any or out-of-range timestamps, which the contract does not have.
  (void)google::protobuf::util::MessageToJsonString(message, &json, options);
  return json;
}

absl::StatusOr<analysis::v1::StoredResult> ParseResultJson(absl::string_view json) {
  if (NestsTooDeep(json)) {
    return absl::InvalidArgumentError("the JSON nests deeper than a result does");
  }
  const std::string text(json);
  analysis::v1::StoredResult stored;
  const auto as_stored = google::protobuf::util::JsonStringToMessage(text, &stored);
  if (as_stored.ok()) return stored;
  stored.Clear();
  const auto as_result = google::protobuf::util::JsonStringToMessage(text, stored.mutable_result());
  if (as_result.ok()) return stored;
  return absl::InvalidArgumentError(
      absl::StrCat("this is not the JSON of a result: ", as_result.ToString(),
                   "; use what `plumule analyze --format json` or `plumule result show --format "
                   "json` writes"));
}

}  // namespace plumule::cli
