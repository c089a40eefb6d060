#include <algorithm>
#include <ostream>

#include "absl/strings/str_cat.h"
#include "clients/cli/command/context.h"
#include "clients/cli/version.h"

namespace plumule::cli {

ExitCode RunProgram(const std::vector<std::string>& arguments, Context& context) {
  CLI::App app("plumule: propagation studies that a community of growers runs together");
  app.name("plumule");
  app.require_subcommand(1);
  app.set_version_flag("--version", std::string("plumule ") + kVersion);
  app.get_formatter()->column_width(34);
  app.footer(
      "Example:\n"
      "  plumule protocol check basil.protocol.txtpb\n"
      "  plumule analyze --plugin time-to-threshold --units units.csv --control soil\n\n"
      "A server is reached with --server HOST:PORT and --key-file FILE, or with PLUMULE_SERVER "
      "and\n"
      "PLUMULE_KEY in the environment.\n"
      "Exit status: 0 done, 1 the answer is no, 2 unusable input, 3 server or network.");
  Action action;
  AddProtocolVerbs(app, &action);
  AddPlanVerb(app, &action);
  AddCommunityVerbs(app, &action);
  AddKeyVerbs(app, &action);
  AddStudyVerbs(app, &action);
  AddImportVerb(app, &action);
  AddRecordVerbs(app, &action);
  AddRunVerb(app, &action);
  AddResultVerbs(app, &action);
  AddReportVerb(app, &action);
  AddDatasetVerbs(app, &action);
  AddVerifyVerb(app, &action);
  AddAnalyzeVerb(app, &action);
  AddPoolVerb(app, &action);
  AddPluginVerbs(app, &action);
  // CLI11 takes arguments from the back.
  std::vector<std::string> reversed(arguments.rbegin(), arguments.rend());
  try {
    app.parse(std::move(reversed));
  } catch (const CLI::ParseError& error) {
    // Help and version are "errors" of status 0.
    const int code = app.exit(error, context.out, context.err);
    return code == 0 ? kDone : kUnusable;
  }
  return action ? action(context) : kUnusable;
}

}  // namespace plumule::cli
