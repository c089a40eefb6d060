#include "plugin_manifest.h"
#include "plugins/pooled-effects/pooled_effects.h"
#include "plugins/sdk/serve.h"

int main() {
  return plumule::sdk::Serve(
      {.manifest_json = kManifest, .synthesize = plumule::pooled_effects::Synthesize});
}
