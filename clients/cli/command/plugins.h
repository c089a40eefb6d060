#pragma once

#include <CLI/CLI.hpp>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "clients/cli/command/context.h"
#include "plumule/plugin/v1/plugin.pb.h"
#include "server/analysis/plugin_catalog.h"
#include "server/analysis/plugin_limits.h"

namespace plumule::cli {

// Adds `--plugins DIR`.
void AddPluginFolder(CLI::App* verb, std::string* folder);

// The plugins of `folder`; if that is empty of PLUMULE_PLUGINS, else of the first folder there is
// of `plugins` beside the program, in the build tree, and in the installation. NotFound with the
// places.
absl::StatusOr<analysis::PluginCatalog> InstalledPlugins(const std::string& folder,
                                                         const Context& context);

// The plugin of that id; NotFound lists those there are.
absl::StatusOr<const analysis::InstalledPlugin*> FindPlugin(const analysis::PluginCatalog& catalog,
                                                            absl::string_view id);

// Limits for a plugin that runs on the user's own machine.
analysis::PluginLimits LocalLimits();

// `name=value` with the value read as the type that the manifest declares for `name`.
// InvalidArgument lists the parameters there are, or says what the type wants.
absl::StatusOr<study::v1::Parameter> TypedParameter(const plugin::v1::Manifest& manifest,
                                                    absl::string_view name, absl::string_view text);

// The same of what `plan` may be told to expect: `manifest.expectations`.
absl::StatusOr<study::v1::Parameter> TypedExpectation(const plugin::v1::Manifest& manifest,
                                                      absl::string_view name,
                                                      absl::string_view text);

}  // namespace plumule::cli
