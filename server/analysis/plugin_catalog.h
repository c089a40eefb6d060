// Which plugins there are: the manifests in the sub-folders of one directory.
//
//   <directory>/<id>/manifest.json     plumule.plugin.v1.Manifest as JSON, at most 64 KiB
//   <directory>/<id>/<executable>      a regular file in the same folder
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "absl/types/span.h"
#include "plumule/analysis/v1/analysis_service.pb.h"
#include "plumule/plugin/v1/plugin.pb.h"
#include "plumule/study/v1/protocol.pb.h"

namespace plumule::analysis {

// Versions of the plugin protocol that this host speaks, best first.
absl::Span<const absl::string_view> HostProtocolVersions();

// What tells whether a file is still the one that was read.
struct FileIdentity {
  std::uint64_t device = 0;
  std::uint64_t inode = 0;
  std::int64_t size = 0;
  std::int64_t modified_ns = 0;
  std::int64_t changed_ns = 0;

  friend bool operator==(const FileIdentity&, const FileIdentity&) = default;
};

// A plugin that can be started.
struct InstalledPlugin {
  // As read from manifest.json, checked.
  plugin::v1::Manifest manifest;
  // Absolute path of the executable.
  std::string executable;
  // SHA-256 of the executable, lower-case hexadecimal.
  std::string digest;
  // The executable when the digest was taken; another one is not started.
  FileIdentity identity;
  // The common version of the plugin protocol that is best.
  std::string protocol_version;
};

// `plugin` as the service shows it.
v1::Plugin Describe(const InstalledPlugin& plugin);

// The identity of the file at `path`; NOT_FOUND if there is none, FAILED_PRECONDITION if it is not
// a regular file.
absl::StatusOr<FileIdentity> IdentifyFile(const std::string& path);

// A folder that holds no usable plugin.
struct CatalogProblem {
  // Name of the folder.
  std::string folder;
  // What is wrong and what to do.
  std::string what;
};

// The plugins of a directory, as it was when it was read. Immutable: safe to share between threads.
class PluginCatalog {
 public:
  // No plugins.
  PluginCatalog() = default;

  // Reads every sub-folder of `directory` that does not start with a dot, at most 1,000. Broken
  // ones become problems. NOT_FOUND or PERMISSION_DENIED if the directory itself can't be read.
  // Reads every executable once, for its digest.
  static absl::StatusOr<PluginCatalog> Read(const std::string& directory);

  // By id.
  const std::vector<InstalledPlugin>& plugins() const { return plugins_; }
  // By folder.
  const std::vector<CatalogProblem>& problems() const { return problems_; }

  // The plugin of this id; null if there is none. Lives as long as the catalog.
  const InstalledPlugin* Find(absl::string_view id) const;

  // The plugin that `analysis` names, if its version and digest are the ones that it asks for.
  // FAILED_PRECONDITION: `plugin_not_available`, `plugin_version_mismatch` (range or digest);
  // INVALID_ARGUMENT `version_range_malformed`. Versions compare as protocol/version_range.h says.
  // Lives as long as the catalog.
  absl::StatusOr<const InstalledPlugin*> Choose(const study::v1::Analysis& analysis) const;

 private:
  std::vector<InstalledPlugin> plugins_;
  std::vector<CatalogProblem> problems_;
};

// Reads one plugin's folder. INVALID_ARGUMENT, FAILED_PRECONDITION, NOT_FOUND or PERMISSION_DENIED
// with words.
absl::StatusOr<InstalledPlugin> ReadPluginFolder(const std::string& folder);

// `analysis` with the manifest's default for each parameter that was not given, in the manifest's
// order after the given ones, and with a confidence level.
study::v1::Analysis WithDefaults(study::v1::Analysis analysis,
                                 const plugin::v1::Manifest& manifest);

}  // namespace plumule::analysis
