#include "plugin_manifest.h"
#include "plugins/sdk/serve.h"
#include "plugins/time-to-threshold/plan.h"
#include "plugins/time-to-threshold/time_to_threshold.h"

int main() {
  return plumule::sdk::Serve({.manifest_json = kManifest,
                              .check_protocol = plumule::time_to_threshold::CheckProtocol,
                              .analyze = plumule::time_to_threshold::Analyze,
                              .plan = plumule::time_to_threshold::Plan});
}
