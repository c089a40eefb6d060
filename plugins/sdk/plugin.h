#ifndef PLUMULE_PLUGINS_SDK_PLUGIN_H_
#define PLUMULE_PLUGINS_SDK_PLUGIN_H_

#include <functional>
#include <optional>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "plugins/sdk/unit_table.h"
#include "plumule/plugin/v1/plugin.pb.h"

namespace plumule::sdk {

// Everything that an analysis is given. Owned by the SDK for the length of a call.
struct AnalysisInput {
  plugin::v1::AnalysisSetup setup;
  UnitTable units;
  std::optional<UnitTable> looks;
};

// Tells the host how far the work is: 0 to 1, and what is being done. Never fails: a host that has
// gone ends the process. One call at a time.
using Progress = std::function<void(double fraction, absl::string_view doing)>;

// A plugin: its manifest and what it does. A complete one:
//
//   absl::StatusOr<analysis::v1::Result> Analyze(const plugin::v1::Manifest& manifest,
//                                                const sdk::AnalysisInput& input,
//                                                const sdk::Progress& progress) { … }
//   int main() { return sdk::Serve({.manifest_json = kManifest, .analyze = Analyze}); }
//
// The functions may be called from another thread than main's, never two at once. Errors become
// gRPC statuses of the same code and message; INVALID_ARGUMENT, with one line a problem, for what
// the user can mend.
struct Plugin {
  // JSON form of plugin.v1.Manifest; CMake's plumule_plugin() makes `kManifest` of the file.
  absl::string_view manifest_json;

  // Problems and advice of an analysis beyond those of its parameters, which the SDK finds itself.
  // May be empty.
  std::function<std::vector<study::v1::Problem>(const study::v1::Protocol& protocol,
                                                const study::v1::Analysis& analysis)>
      check_protocol = {};

  // Empty: UNIMPLEMENTED.
  std::function<absl::StatusOr<analysis::v1::Result>(
      const plugin::v1::Manifest& manifest, const AnalysisInput& input, const Progress& progress)>
      analyze = {};

  // Empty: UNIMPLEMENTED. `request` comes with its blocks, power and replicates within their limits
  // and with the defaults of the last two filled in.
  std::function<absl::StatusOr<analysis::v1::Result>(const plugin::v1::Manifest& manifest,
                                                     const plugin::v1::PlanRequest& request,
                                                     const Progress& progress)>
      plan = {};

  // Empty: UNIMPLEMENTED.
  std::function<absl::StatusOr<analysis::v1::Result>(const plugin::v1::Manifest& manifest,
                                                     const plugin::v1::SynthesizeRequest& request,
                                                     const Progress& progress)>
      synthesize = {};
};

// Reads a manifest: INVALID_ARGUMENT if it is not the JSON of the message, or lacks id, version,
// executable or protocol version.
absl::StatusOr<plugin::v1::Manifest> ParseManifest(absl::string_view json);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_PLUGIN_H_
