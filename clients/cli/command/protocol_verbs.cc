#include <memory>
#include <ostream>
#include <vector>

#include "absl/strings/str_cat.h"
#include "clients/cli/command/context.h"
#include "clients/cli/command/plugins.h"
#include "clients/cli/print/json.h"
#include "clients/cli/print/problem_text.h"
#include "plumule/study/v1/study_service.pb.h"
#include "server/analysis/plugin_process.h"
#include "server/protocol/check.h"
#include "server/protocol/protocol_file.h"

namespace plumule::cli {
namespace {

struct Options {
  std::string file, folder;
  std::string format = "text";
};

// What the plugins that the definition names say of it. A plugin that is not installed here is a
// remark on stderr: the server may have it.
void AskPlugins(const study::v1::Protocol& protocol, const Options& options, Context& context,
                std::vector<study::v1::Problem>* problems) {
  const auto catalog = InstalledPlugins(options.folder, context);
  if (!catalog.ok()) {
    if (!options.folder.empty()) context.err << "note: " << catalog.status().message() << '\n';
    return;
  }
  for (const auto& analysis : protocol.analyses()) {
    const auto plugin = catalog->Choose(analysis);
    if (!plugin.ok()) {
      context.err << "note: analysis " << analysis.id() << ": " << plugin.status().message()
                  << '\n';
      continue;
    }
    plugin::v1::CheckProtocolRequest request;
    *request.mutable_protocol() = protocol;
    request.set_analysis(analysis.id());
    const auto outcome = analysis::CheckProtocol(**plugin, request, LocalLimits());
    if (!outcome.answer.ok()) {
      context.err << "note: analysis " << analysis.id() << ": " << outcome.answer.status().message()
                  << '\n';
      continue;
    }
    problems->insert(problems->end(), outcome.answer->problems().begin(),
                     outcome.answer->problems().end());
  }
}

ExitCode Check(const Options& options, Context& context) {
  const auto protocol = protocol::ReadProtocolFile(options.file);
  if (!protocol.ok()) return FailLocal(context, protocol.status());
  std::vector<study::v1::Problem> problems = protocol::Check(*protocol);
  // A plugin can only judge a definition that holds together.
  if (protocol::CanBePublished(problems)) AskPlugins(*protocol, options, context, &problems);
  if (options.format == "json") {
    study::v1::CheckProtocolResponse answer;
    for (const auto& problem : problems) *answer.add_problems() = problem;
    context.out << ToJson(answer);
  } else {
    context.out << ProblemText(problems);
  }
  return protocol::CanBePublished(problems) ? kDone : kAnswerIsNo;
}

}  // namespace

void AddProtocolVerbs(CLI::App& app, Action* action) {
  auto* noun = app.add_subcommand("protocol", "Definitions of studies, as files");
  noun->require_subcommand(1);
  auto options = std::make_shared<Options>();
  auto* check = noun->add_subcommand(
      "check", "Say everything that is wrong with a definition, and what to do, without a server");
  check->add_option("FILE", options->file, "definition in protobuf text format, or JSON (.json)")
      ->required();
  AddPluginFolder(check, &options->folder);
  AddFormat(check, &options->format);
  check->footer(
      "Exit status 1 if something is wrong; advice alone is 0.\n\n"
      "Example:\n  plumule protocol check basil.protocol.txtpb");
  check->callback([=] { *action = [=](Context& context) { return Check(*options, context); }; });
}

}  // namespace plumule::cli
