// A whole plugin in a few lines: counts its units. An analysis named "endless" never ends.
#include <chrono>
#include <string>
#include <thread>

#include "plugins/sdk/result_builder.h"
#include "plugins/sdk/serve.h"

namespace {

constexpr char kManifest[] = R"({"id": "counter", "version": "1.2.3", "executable": "counter",
  "protocolVersions": ["1"], "capabilities": ["CAPABILITY_ANALYZE"]})";

absl::StatusOr<plumule::analysis::v1::Result> Count(const plumule::plugin::v1::Manifest&,
                                                    const plumule::sdk::AnalysisInput& input,
                                                    const plumule::sdk::Progress& progress) {
  progress(0.5, "counting");
  while (input.setup.analysis().id() == "endless") {
    std::this_thread::sleep_for(std::chrono::milliseconds(10));
  }
  plumule::sdk::ResultBuilder builder;
  plumule::analysis::v1::Estimate units;
  units.set_measure("units");
  units.set_method("count");
  units.set_value(static_cast<double>(input.units.rows()));
  units.set_scale("linear");
  units.set_level(0.95);
  units.set_standing(plumule::analysis::v1::STANDING_DESCRIPTIVE);
  const std::string id = builder.Add(units);
  builder.Say("There are $0 units.", {plumule::sdk::Number{.source = id}});
  return builder.Finish(plumule::analysis::v1::RESULT_STATUS_PARTLY);
}

}  // namespace

int main() { return plumule::sdk::Serve({.manifest_json = kManifest, .analyze = Count}); }
