#include <memory>
#include <ostream>

#include "absl/strings/str_cat.h"
#include "clients/cli/command/context.h"
#include "clients/cli/command/plugins.h"
#include "clients/cli/print/json.h"
#include "clients/cli/print/result_text.h"
#include "plumule/analysis/v1/analysis_service.pb.h"

namespace plumule::cli {
namespace {

struct Options {
  std::string folder;
  std::string format = "text";
};

ExitCode List(const Options& options, Context& context) {
  const auto catalog = InstalledPlugins(options.folder, context);
  if (!catalog.ok()) return FailLocal(context, catalog.status());
  for (const auto& problem : catalog->problems()) {
    context.err << "plumule: folder " << problem.folder << ": " << problem.what << '\n';
  }
  if (options.format == "json") {
    analysis::v1::ListPluginsResponse list;
    for (const auto& plugin : catalog->plugins()) *list.add_plugins() = analysis::Describe(plugin);
    context.out << ToJson(list);
    return kDone;
  }
  for (const auto& plugin : catalog->plugins()) {
    context.out << plugin.manifest.id() << ' ' << plugin.manifest.version() << '\n'
                << Wrapped(plugin.manifest.summary(), 2) << "  sha256 " << plugin.digest << '\n';
    for (const auto& parameter : plugin.manifest.parameters()) {
      context.out << Wrapped(absl::StrCat("--set ", parameter.variable().id(), "=…  ",
                                          parameter.variable().help().text().empty()
                                              ? parameter.variable().label().text()
                                              : parameter.variable().help().text()),
                             4);
    }
  }
  return kDone;
}

}  // namespace

void AddPluginVerbs(CLI::App& app, Action* action) {
  auto* noun = app.add_subcommand("plugin", "Analysis plugins on this machine");
  noun->require_subcommand(1);
  auto options = std::make_shared<Options>();
  auto* list = noun->add_subcommand("list", "List installed plugins, their digests and parameters");
  AddPluginFolder(list, &options->folder);
  AddFormat(list, &options->format);
  list->footer("Example:\n  plumule plugin list");
  list->callback([=] { *action = [=](Context& context) { return List(*options, context); }; });
}

}  // namespace plumule::cli
