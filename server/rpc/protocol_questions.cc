#include "server/rpc/protocol_questions.h"

#include <string>
#include <utility>

#include "absl/strings/str_cat.h"
#include "server/analysis/plugin_process.h"
#include "server/protocol/check.h"
#include "server/protocol/reason.h"

namespace plumule::rpc {
namespace {

std::string PluginPath(const study::v1::Analysis& analysis) {
  return absl::StrCat("analyses[", analysis.id(), "].plugin");
}

study::v1::Problem NotAvailable(const study::v1::Analysis& analysis, const absl::Status& status) {
  study::v1::Problem problem;
  problem.set_path(PluginPath(analysis));
  problem.set_reason(ReasonOf(status));
  problem.set_what(std::string(status.message()));
  problem.set_why("The study would end without the analysis that it promises.");
  problem.set_remedy(
      "Name a plugin of ListPlugins in a version that is there, or have it installed.");
  return problem;
}

study::v1::Problem DidNotAnswer(const study::v1::Analysis& analysis, const absl::Status& status) {
  study::v1::Problem problem;
  problem.set_path(PluginPath(analysis));
  problem.set_reason("plugin_did_not_answer");
  problem.set_what(std::string(status.message()));
  problem.set_why("Whether this analysis can run on such data is not known.");
  problem.set_remedy("Check again; if it stays, tell the operator of the server.");
  problem.set_advice(true);
  return problem;
}

void Ask(const study::v1::Protocol& definition, const study::v1::Analysis& analysis,
         const analysis::PluginCatalog& plugins, const analysis::PluginLimits& limits,
         std::stop_token stop, std::vector<study::v1::Problem>* problems) {
  const auto plugin = plugins.Choose(analysis);
  if (!plugin.ok()) {
    problems->push_back(NotAvailable(analysis, plugin.status()));
    return;
  }
  plugin::v1::CheckProtocolRequest request;
  *request.mutable_protocol() = definition;
  request.set_analysis(analysis.id());
  const auto outcome = analysis::CheckProtocol(**plugin, request, limits, std::move(stop));
  if (!outcome.answer.ok()) {
    problems->push_back(DidNotAnswer(analysis, outcome.answer.status()));
    return;
  }
  for (const study::v1::Problem& problem : outcome.answer->problems()) problems->push_back(problem);
}

}  // namespace

std::vector<study::v1::Problem> CheckWithPlugins(const study::v1::Protocol& definition,
                                                 const analysis::PluginCatalog& plugins,
                                                 const analysis::PluginLimits& limits,
                                                 std::stop_token stop) {
  std::vector<study::v1::Problem> problems = protocol::Check(definition);
  if (!protocol::CanBePublished(problems)) return problems;
  for (const study::v1::Analysis& analysis : definition.analyses()) {
    if (stop.stop_requested()) break;
    Ask(definition, analysis, plugins, limits, stop, &problems);
  }
  return problems;
}

}  // namespace plumule::rpc
