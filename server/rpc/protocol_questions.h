// Everything that can be said of a definition, the plugins that it names included.
#pragma once

#include <stop_token>
#include <vector>

#include "plumule/study/v1/protocol.pb.h"
#include "plumule/study/v1/study_service.pb.h"
#include "server/analysis/plugin_catalog.h"
#include "server/analysis/plugin_limits.h"

namespace plumule::rpc {

// All problems and advice: those of protocol::Check, then those of each analysis's plugin. Plugins
// are asked only once the definition itself can be published, and one after the other: some tens of
// milliseconds each. A plugin that is not there, or not in the version that is asked for, is a
// problem (`plugin_not_available`, `plugin_version_mismatch`); one that fails to answer is advice
// (`plugin_did_not_answer`). `stop` ends the asking.
std::vector<study::v1::Problem> CheckWithPlugins(const study::v1::Protocol& definition,
                                                 const analysis::PluginCatalog& plugins,
                                                 const analysis::PluginLimits& limits,
                                                 std::stop_token stop);

}  // namespace plumule::rpc
