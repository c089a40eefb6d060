#pragma once

#include <CLI/CLI.hpp>
#include <functional>
#include <iosfwd>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/strings/string_view.h"
#include "absl/time/time.h"
#include "clients/cli/exit_code.h"

namespace plumule::cli {

// What a verb may touch of the world around it.
struct Context {
  std::ostream& out;
  std::ostream& err;
  // Standard error is a terminal: progress may be drawn there.
  bool progress = false;
  // An environment variable; empty if it is not set.
  std::function<std::string(const char* name)> environment;
  std::function<absl::Time()> now;
  // Folder of the program's file; plugins are looked for from there.
  std::string program_folder;
};

// What a verb does once the command line is read. Gives the exit status.
using Action = std::function<ExitCode(Context&)>;

// Prints `plumule: ` and the message to stderr, one line each. Gives `code`.
ExitCode Fail(Context& context, ExitCode code, absl::string_view message);
// The same for local input that can't be used.
ExitCode FailLocal(Context& context, const absl::Status& status);
// The same for the answer of a server, with its fields and remedies: kAnswerIsNo if it declined for
// the state of things, kUnusable if the request was wrong, else kServer.
ExitCode FailServer(Context& context, const absl::Status& status);

// One line of progress on a terminal, written over the one before; nothing elsewhere.
void ShowProgress(Context& context, absl::string_view words);
void ClearProgress(Context& context);

// Adds `--format text|json`.
void AddFormat(CLI::App* verb, std::string* format);
// Today in UTC as an ISO date.
std::string Today(const Context& context);

// One function a group of verbs: each adds its subcommands to `app` and sets `*action` when one of
// them is chosen.
void AddProtocolVerbs(CLI::App& app, Action* action);
void AddCommunityVerbs(CLI::App& app, Action* action);
void AddKeyVerbs(CLI::App& app, Action* action);
void AddStudyVerbs(CLI::App& app, Action* action);
void AddRecordVerbs(CLI::App& app, Action* action);
void AddImportVerb(CLI::App& app, Action* action);
void AddAnalyzeVerb(CLI::App& app, Action* action);
void AddPoolVerb(CLI::App& app, Action* action);
void AddPlanVerb(CLI::App& app, Action* action);
void AddRunVerb(CLI::App& app, Action* action);
void AddResultVerbs(CLI::App& app, Action* action);
void AddReportVerb(CLI::App& app, Action* action);
void AddDatasetVerbs(CLI::App& app, Action* action);
void AddVerifyVerb(CLI::App& app, Action* action);
void AddPluginVerbs(CLI::App& app, Action* action);

// Reads the command line and does what it says. `arguments` are without the program's name.
ExitCode RunProgram(const std::vector<std::string>& arguments, Context& context);

}  // namespace plumule::cli
