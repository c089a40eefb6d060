#include "server/analysis/plugin_catalog.h"

#include <google/protobuf/util/json_util.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <filesystem>
#include <fstream>
#include <set>
#include <system_error>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "server/analysis/sha256.h"
#include "server/protocol/json_outline.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/protocol/version_range.h"

namespace plumule::analysis {
namespace {

namespace fs = std::filesystem;

constexpr size_t kMaxManifestBytes = size_t{64} << 10;
constexpr int kMaxManifestDepth = 32;
constexpr size_t kMaxFolders = 1000;
constexpr std::array<absl::string_view, 1> kHostVersions = {"1"};

absl::Status Unfit(absl::string_view what) {
  return absl::FailedPreconditionError(absl::StrCat("manifest.json: ", what));
}

absl::StatusOr<std::string> ReadManifestText(const std::string& path) {
  PLUMULE_ASSIGN_OR_RETURN(const FileIdentity identity, IdentifyFile(path));
  if (identity.size > static_cast<std::int64_t>(kMaxManifestBytes)) {
    return Unfit("it is larger than 64 KiB");
  }
  std::ifstream file(path, std::ios::binary);
  std::string text(kMaxManifestBytes + 1, '\0');
  file.read(text.data(), static_cast<std::streamsize>(text.size()));
  if (file.bad() || !file.is_open()) {
    return absl::PermissionDeniedError(absl::StrCat("can't read ", path));
  }
  text.resize(static_cast<size_t>(file.gcount()));
  if (text.size() > kMaxManifestBytes) return Unfit("it is larger than 64 KiB");
  return text;
}

absl::StatusOr<plugin::v1::Manifest> ParseManifest(absl::string_view text) {
  // Before protobuf's own parser, which takes quadratic time in the depth.
  const protocol::JsonOutline outline =
      protocol::OutlineJson(text, *plugin::v1::Manifest::descriptor(), kMaxManifestDepth);
  if (!outline.fault.empty()) {
    return Unfit(absl::StrCat("line ", outline.fault_position.line, ", column ",
                              outline.fault_position.column, ": ", outline.fault));
  }
  plugin::v1::Manifest manifest;
  const auto status = google::protobuf::util::JsonStringToMessage(std::string(text), &manifest);
  if (!status.ok()) {
    return Unfit(absl::StrCat("it is not the JSON form of plumule.plugin.v1.Manifest: ",
                              std::string(status.message())));
  }
  return manifest;
}

bool IsPluginId(absl::string_view id) {
  const auto fits = [](char c) {
    return absl::ascii_islower(static_cast<unsigned char>(c)) ||
           absl::ascii_isdigit(static_cast<unsigned char>(c)) || c == '-';
  };
  return !id.empty() && id.size() <= 40 && std::all_of(id.begin(), id.end(), fits);
}

absl::Status CheckCapabilities(const plugin::v1::Manifest& manifest) {
  if (manifest.capabilities().empty()) return Unfit("`capabilities` is empty; name what it can do");
  for (const int capability : manifest.capabilities()) {
    if (capability == plugin::v1::CAPABILITY_UNSPECIFIED ||
        !plugin::v1::Capability_IsValid(capability)) {
      return Unfit("`capabilities` holds one that this host does not know");
    }
  }
  return absl::OkStatus();
}

absl::Status CheckSpecs(
    absl::string_view field,
    const google::protobuf::RepeatedPtrField<plugin::v1::ParameterSpec>& specs) {
  std::set<std::string> ids;
  for (const plugin::v1::ParameterSpec& spec : specs) {
    const study::v1::Variable& variable = spec.variable();
    if (variable.id().empty()) return Unfit(absl::StrCat("`", field, "` holds one without an id"));
    if (!ids.insert(variable.id()).second) {
      return Unfit(absl::StrCat("`", field, "` holds `", variable.id(), "` twice"));
    }
    if (variable.type_case() == study::v1::Variable::TYPE_NOT_SET) {
      return Unfit(absl::StrCat("`", variable.id(), "` in `", field, "` has no type"));
    }
  }
  return absl::OkStatus();
}

absl::Status CheckManifest(const plugin::v1::Manifest& manifest, absl::string_view folder_name) {
  if (!IsPluginId(manifest.id())) {
    return Unfit("`id` must be lower-case letters, digits and hyphens, at most 40");
  }
  if (manifest.id() != folder_name) {
    return Unfit(absl::StrCat("`id` is \"", manifest.id(), "\" but the folder is called \"",
                              folder_name, "\"; give both the same name"));
  }
  if (!protocol::ParseVersion(manifest.version())) {
    return Unfit("`version` must be a semantic version, like 1.4.0");
  }
  const std::string& executable = manifest.executable();
  if (executable.empty() || executable[0] == '.' || executable.size() > 255 ||
      executable.find('/') != std::string::npos || executable.find('\0') != std::string::npos) {
    return Unfit("`executable` must be the name of a file in the manifest's folder");
  }
  PLUMULE_RETURN_IF_ERROR(CheckCapabilities(manifest));
  PLUMULE_RETURN_IF_ERROR(CheckSpecs("parameters", manifest.parameters()));
  return CheckSpecs("expectations", manifest.expectations());
}

absl::StatusOr<std::string> CommonProtocolVersion(const plugin::v1::Manifest& manifest) {
  const auto& theirs = manifest.protocol_versions();
  for (const absl::string_view ours : HostProtocolVersions()) {
    if (std::find(theirs.begin(), theirs.end(), ours) != theirs.end()) return std::string(ours);
  }
  return Unfit(absl::StrCat("it speaks version ", absl::StrJoin(theirs, ", "),
                            " of the plugin protocol, this host speaks ",
                            absl::StrJoin(HostProtocolVersions(), ", "),
                            "; install a plugin or a plumule that share one"));
}

std::int64_t Nanoseconds(const timespec& time) {
  return std::int64_t{time.tv_sec} * 1'000'000'000 + time.tv_nsec;
}

absl::StatusOr<std::vector<std::string>> FolderNames(const std::string& directory) {
  std::error_code error;
  std::vector<std::string> names;
  fs::directory_iterator entry(directory, error);
  for (; !error && entry != fs::directory_iterator(); entry.increment(error)) {
    const std::string name = entry->path().filename();
    std::error_code ignored;
    if (name[0] != '.' && entry->is_directory(ignored)) names.push_back(name);
    if (names.size() > kMaxFolders) {
      return absl::ResourceExhaustedError(
          absl::StrCat(directory, " has more than ", kMaxFolders, " folders"));
    }
  }
  if (error) {
    return absl::ErrnoToStatus(error.value(),
                               absl::StrCat("can't read the plugins' directory ", directory));
  }
  std::sort(names.begin(), names.end());
  return names;
}

}  // namespace

absl::Span<const absl::string_view> HostProtocolVersions() { return kHostVersions; }

v1::Plugin Describe(const InstalledPlugin& plugin) {
  v1::Plugin described;
  described.set_id(plugin.manifest.id());
  described.set_version(plugin.manifest.version());
  described.set_digest(plugin.digest);
  described.set_summary(plugin.manifest.summary());
  described.set_protocol(plugin.protocol_version);
  return described;
}

absl::StatusOr<FileIdentity> IdentifyFile(const std::string& path) {
  struct stat found;
  if (lstat(path.c_str(), &found) != 0) {
    return absl::ErrnoToStatus(errno, absl::StrCat("can't find ", path));
  }
  if (!S_ISREG(found.st_mode)) {
    return absl::FailedPreconditionError(absl::StrCat(path, " is not a regular file"));
  }
  return FileIdentity{found.st_dev, found.st_ino, found.st_size, Nanoseconds(found.st_mtim),
                      Nanoseconds(found.st_ctim)};
}

absl::StatusOr<InstalledPlugin> ReadPluginFolder(const std::string& folder) {
  std::error_code error;
  const fs::path path = fs::absolute(folder, error).lexically_normal();
  if (error) return absl::InvalidArgumentError(absl::StrCat("can't find ", folder));
  const std::string name = path.has_filename() ? path.filename() : path.parent_path().filename();

  InstalledPlugin plugin;
  PLUMULE_ASSIGN_OR_RETURN(const std::string text, ReadManifestText(path / "manifest.json"));
  PLUMULE_ASSIGN_OR_RETURN(plugin.manifest, ParseManifest(text));
  PLUMULE_RETURN_IF_ERROR(CheckManifest(plugin.manifest, name));
  PLUMULE_ASSIGN_OR_RETURN(plugin.protocol_version, CommonProtocolVersion(plugin.manifest));
  plugin.executable = path / plugin.manifest.executable();
  PLUMULE_ASSIGN_OR_RETURN(plugin.identity, IdentifyFile(plugin.executable));
  if (access(plugin.executable.c_str(), X_OK) != 0) {
    return absl::PermissionDeniedError(
        absl::StrCat(plugin.executable, " may not be executed; give it the permission (chmod +x)"));
  }
  PLUMULE_ASSIGN_OR_RETURN(plugin.digest, Sha256HexOfFile(plugin.executable));
  return plugin;
}

absl::StatusOr<PluginCatalog> PluginCatalog::Read(const std::string& directory) {
  PLUMULE_ASSIGN_OR_RETURN(const std::vector<std::string> names, FolderNames(directory));
  PluginCatalog catalog;
  for (const std::string& name : names) {
    absl::StatusOr<InstalledPlugin> plugin = ReadPluginFolder(fs::path(directory) / name);
    if (plugin.ok()) {
      catalog.plugins_.push_back(*std::move(plugin));
    } else {
      catalog.problems_.push_back({name, std::string(plugin.status().message())});
    }
  }
  return catalog;
}

const InstalledPlugin* PluginCatalog::Find(absl::string_view id) const {
  const auto found = std::find_if(plugins_.begin(), plugins_.end(),
                                  [&](const InstalledPlugin& p) { return p.manifest.id() == id; });
  return found == plugins_.end() ? nullptr : &*found;
}

absl::StatusOr<const InstalledPlugin*> PluginCatalog::Choose(
    const study::v1::Analysis& analysis) const {
  const InstalledPlugin* plugin = Find(analysis.plugin());
  if (plugin == nullptr) {
    return ReasonedError(
        absl::StatusCode::kFailedPrecondition, "plugin_not_available",
        absl::StrCat("Analysis `", analysis.id(), "` names the plugin \"", analysis.plugin(),
                     "\", which is not installed here; ask the operator to install it."));
  }
  PLUMULE_ASSIGN_OR_RETURN(const protocol::VersionRange range,
                           protocol::VersionRange::Parse(analysis.plugin_version()));
  if (!range.Contains(*protocol::ParseVersion(plugin->manifest.version()))) {
    return ReasonedError(
        absl::StatusCode::kFailedPrecondition, "plugin_version_mismatch",
        absl::StrCat("Analysis `", analysis.id(), "` asks for ", analysis.plugin(), " ",
                     analysis.plugin_version(), ", but ", plugin->manifest.version(),
                     " is installed; ask the operator for a fitting version."));
  }
  if (!analysis.plugin_digest().empty() && analysis.plugin_digest() != plugin->digest) {
    return ReasonedError(
        absl::StatusCode::kFailedPrecondition, "plugin_version_mismatch",
        absl::StrCat("Analysis `", analysis.id(), "` pins ", analysis.plugin(),
                     " to the executable with SHA-256 ", analysis.plugin_digest(), ", but ",
                     plugin->digest, " is installed; ask the operator for that very build."));
  }
  return plugin;
}

study::v1::Analysis WithDefaults(study::v1::Analysis analysis,
                                 const plugin::v1::Manifest& manifest) {
  std::set<std::string> given;
  for (const study::v1::Parameter& parameter : analysis.parameters()) {
    given.insert(parameter.name());
  }
  for (const plugin::v1::ParameterSpec& spec : manifest.parameters()) {
    if (!spec.has_default_value() || given.contains(spec.variable().id())) continue;
    study::v1::Parameter* parameter = analysis.add_parameters();
    parameter->set_name(spec.variable().id());
    *parameter->mutable_value() = spec.default_value();
  }
  if (analysis.confidence_level() == 0) analysis.set_confidence_level(0.95);
  return analysis;
}

}  // namespace plumule::analysis
