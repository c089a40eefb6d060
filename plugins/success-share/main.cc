#include "plugin_manifest.h"
#include "plugins/sdk/serve.h"
#include "plugins/success-share/success_share.h"

int main() {
  return plumule::sdk::Serve({.manifest_json = kManifest,
                              .check_protocol = plumule::success_share::CheckProtocol,
                              .analyze = plumule::success_share::Analyze});
}
