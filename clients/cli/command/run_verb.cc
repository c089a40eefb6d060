#include <memory>
#include <ostream>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "clients/cli/command/context.h"
#include "clients/cli/command/fetch.h"
#include "clients/cli/command/server_options.h"
#include "clients/cli/files.h"
#include "clients/cli/print/json.h"
#include "clients/cli/print/result_text.h"
#include "clients/cpp/uuid.h"

namespace plumule::cli {
namespace {

using analysis::v1::AnalysisService;
using analysis::v1::Run;

struct Options {
  ServerOptions server;
  std::string study, analysis, freeze, result_out;
  std::string format = "text";
};

bool HasEnded(const Run& run) {
  return run.state() == analysis::v1::RUN_STATE_SUCCEEDED ||
         run.state() == analysis::v1::RUN_STATE_FAILED ||
         run.state() == analysis::v1::RUN_STATE_CANCELLED;
}

absl::StatusOr<Run> WaitFor(client::Connection& server, Run run, Context& context) {
  while (!HasEnded(run)) {
    ShowProgress(context, absl::StrFormat("%3.0f %%  %s", run.progress() * 100,
                                          run.state() == analysis::v1::RUN_STATE_QUEUED
                                              ? "waits for its turn"
                                              : "the plugin works"));
    analysis::v1::GetRunRequest request;
    request.set_name(run.name());
    // Short on a terminal, where someone watches.
    request.set_wait_seconds(context.progress ? 1 : 20);
    auto answer = server.Call(&AnalysisService::Stub::GetRun, request);
    if (!answer.ok()) return answer.status();
    run = answer->run();
  }
  ClearProgress(context);
  return run;
}

ExitCode RunIt(const Options& options, Context& context) {
  const auto study = StudyName(options.study);
  if (!study.ok()) return FailLocal(context, study.status());
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  const auto freeze = options.freeze.empty() ? NewestFreeze(**server, *study)
                                             : absl::StatusOr<std::string>(options.freeze);
  if (!freeze.ok()) return FailServer(context, freeze.status());
  std::string analysis = options.analysis;
  if (analysis.empty()) {
    const auto protocol = FetchProtocol(**server, *study);
    if (!protocol.ok()) return FailServer(context, protocol.status());
    for (const auto& declared : protocol->protocol().analyses()) {
      if (declared.role() == study::v1::ANALYSIS_ROLE_PRIMARY) analysis = declared.id();
    }
  }
  analysis::v1::CreateRunRequest request;
  request.set_freeze(*freeze);
  request.set_analysis(analysis);
  request.set_request_id(client::NewUuid());
  auto created = (*server)->Call(&AnalysisService::Stub::CreateRun, request);
  if (!created.ok()) return FailServer(context, created.status());
  const auto run = WaitFor(**server, created->run(), context);
  if (!run.ok()) return FailServer(context, run.status());
  if (run->state() != analysis::v1::RUN_STATE_SUCCEEDED) {
    const bool declined = run->failure() == analysis::v1::RUN_FAILURE_PLUGIN_DECLINED ||
                          run->state() == analysis::v1::RUN_STATE_CANCELLED;
    return Fail(context, declined ? kAnswerIsNo : kServer,
                absl::StrCat(run->name(), ": ",
                             run->message().empty() ? analysis::v1::RunFailure_Name(run->failure())
                                                    : run->message()));
  }
  const auto result = FetchResult(**server, run->result());
  if (!result.ok()) return FailServer(context, result.status());
  if (!options.result_out.empty()) {
    const absl::Status written = WriteFile(options.result_out, result->name() + "\n");
    if (!written.ok()) return FailLocal(context, written);
  }
  if (options.format == "json") {
    context.out << ToJson(*result);
    return kDone;
  }
  context.out << ResultText(result->result()) << "\nStored as " << result->name()
              << (run->cached() ? " (computed before)" : "") << '\n';
  return kDone;
}

}  // namespace

void AddRunVerb(CLI::App& app, Action* action) {
  auto options = std::make_shared<Options>();
  auto* verb = app.add_subcommand("run", "Run the analysis that a study's protocol names");
  verb->add_option("STUDY", options->study, "COMMUNITY/STUDY, or the full name")->required();
  verb->add_option("--analysis", options->analysis, "id of the analysis; else the primary one");
  verb->add_option("--freeze", options->freeze, "name of the freeze; else the newest");
  verb->add_option("--result-out", options->result_out,
                   "write the result's name to this file, for report and pool");
  AddServerOptions(verb, &options->server);
  AddFormat(verb, &options->format);
  verb->footer("Example:\n  plumule run balcony/basil-water");
  verb->callback([=] { *action = [=](Context& context) { return RunIt(*options, context); }; });
}

}  // namespace plumule::cli
