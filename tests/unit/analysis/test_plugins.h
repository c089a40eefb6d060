// Plugins and datasets for tests of the host.
#pragma once

#include <memory>
#include <string>

#include "server/analysis/plugin_catalog.h"
#include "server/analysis/plugin_limits.h"
#include "server/analysis/private_folder.h"
#include "server/analysis/table_builder.h"

namespace plumule::analysis {

// A directory of plugins, and a scratch folder for their processes.
class TestPlugins {
 public:
  TestPlugins();

  // Installs the test plugin so that it behaves as `behavior` says, and reads its folder.
  InstalledPlugin Install(const std::string& behavior);
  // Makes a plugin's folder with this manifest and this executable's content.
  void Write(const std::string& id, const std::string& manifest, const std::string& executable,
             bool may_execute = true);
  // The manifest of a plugin of this id.
  static std::string ManifestOf(const std::string& id, const std::string& more = "");

  std::string directory() const { return folder_.path() + "/p"; }
  // Limits short enough for tests, with the scratch folder of this object.
  PluginLimits limits() const;
  // True if no process left anything in the scratch folder.
  bool ScratchIsEmpty() const;

 private:
  PrivateFolder folder_;
};

// `rows` units in two arms, 3 columns.
std::unique_ptr<MemoryDataset> SmallDataset(int rows);

// True if a process lives (a zombie does not) in the group of the process whose number stands in
// the test plugin's output.
bool GroupLives(const std::string& output);

}  // namespace plumule::analysis
