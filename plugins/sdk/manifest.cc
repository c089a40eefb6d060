#include <string>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "google/protobuf/util/json_util.h"
#include "plugins/sdk/plugin.h"

namespace plumule::sdk {

absl::StatusOr<plugin::v1::Manifest> ParseManifest(absl::string_view json) {
  plugin::v1::Manifest manifest;
  const auto status = google::protobuf::util::JsonStringToMessage(std::string(json), &manifest);
  if (!status.ok()) {
    return absl::InvalidArgumentError(
        absl::StrCat("the manifest can't be read: ", std::string(status.message())));
  }
  if (manifest.id().empty() || manifest.version().empty() || manifest.executable().empty() ||
      manifest.protocol_versions().empty()) {
    return absl::InvalidArgumentError(
        "the manifest lacks id, version, executable or protocolVersions");
  }
  return manifest;
}

}  // namespace plumule::sdk
