#include <memory>
#include <ostream>
#include <utility>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "clients/cli/command/context.h"
#include "clients/cli/command/fetch.h"
#include "clients/cli/command/local_run.h"
#include "clients/cli/command/plugins.h"
#include "clients/cli/command/server_options.h"
#include "clients/cli/files.h"
#include "clients/cli/print/result_text.h"
#include "clients/cli/report/report.h"
#include "clients/cli/table/cell.h"
#include "server/analysis/plugin_process.h"
#include "server/protocol/check.h"
#include "server/protocol/protocol_file.h"

namespace plumule::cli {
namespace {

struct Options {
  std::string study, analysis, blocks, power, replicates, seed, report, folder;
  std::vector<std::string> expect;  // name=value
  std::string format = "text";
  bool expectations = false;
  ServerOptions server;
};

// The definition: a file, or what a study on the server runs under.
ExitCode ReadDefinition(const Options& options, Context& context, study::v1::Protocol* protocol) {
  if (absl::StartsWith(options.study, "communities/")) {
    auto server = Connect(options.server, context);
    if (!server.ok()) return FailLocal(context, server.status());
    auto answer = FetchProtocol(**server, options.study);
    if (!answer.ok()) return FailServer(context, answer.status());
    *protocol = std::move(*answer->mutable_protocol());
    return kDone;
  }
  auto read = protocol::ReadProtocolFile(options.study);
  if (!read.ok()) return FailLocal(context, read.status());
  *protocol = *std::move(read);
  if (protocol::CanBePublished(protocol::Check(*protocol))) return kDone;
  return Fail(context, kUnusable,
              absl::StrCat("the definition has mistakes; plumule protocol check ", options.study,
                           " lists them"));
}

// The stated analysis, or the primary one.
absl::StatusOr<study::v1::Analysis> ChooseAnalysis(const study::v1::Protocol& protocol,
                                                   const std::string& stated) {
  std::vector<std::string> ids;
  for (const auto& analysis : protocol.analyses()) {
    const bool primary = analysis.role() == study::v1::ANALYSIS_ROLE_PRIMARY;
    if (stated.empty() ? primary : analysis.id() == stated) return analysis;
    ids.push_back(analysis.id());
  }
  return absl::InvalidArgumentError(
      absl::StrCat("there is no analysis \"", stated,
                   "\"; choose one with --analysis: ", absl::StrJoin(ids, ", ")));
}

absl::StatusOr<int64_t> Whole(absl::string_view option, const std::string& text,
                              int64_t otherwise) {
  if (text.empty()) return otherwise;
  const auto number = ParseWhole(text);
  if (number) return *number;
  return absl::InvalidArgumentError(
      absl::StrCat(option, " \"", text, "\" does not fit; it is a whole number"));
}

// As a share: 0.8 or 80%.
absl::StatusOr<double> Power(std::string text) {
  if (text.empty()) return 0.8;
  const bool percent = absl::EndsWith(text, "%");
  const auto number = ParseNumber(percent ? text.substr(0, text.size() - 1) : text);
  const double power = number.value_or(0) / (percent ? 100 : 1);
  if (power > 0.5 && power < 1) return power;
  return absl::InvalidArgumentError(absl::StrCat(
      "--power \"", text, "\" does not fit; it is above 0.5 and below 1, like 0.8 or 80%"));
}

absl::StatusOr<plugin::v1::PlanRequest> MakeRequest(const Options& options,
                                                    const plugin::v1::Manifest& manifest) {
  plugin::v1::PlanRequest request;
  auto blocks = Whole("--blocks", options.blocks, 0);
  if (!blocks.ok()) return blocks.status();
  auto replicates = Whole("--replicates", options.replicates, 1000);
  if (!replicates.ok()) return replicates.status();
  auto seed = Whole("--seed", options.seed, 1);
  if (!seed.ok()) return seed.status();
  auto power = Power(options.power);
  if (!power.ok()) return power.status();
  request.set_blocks(*blocks);
  request.set_replicates(static_cast<int32_t>(*replicates));
  request.set_seed(*seed);
  request.set_power(*power);
  for (const std::string& expected : options.expect) {
    const size_t equals = expected.find('=');  // its presence is checked with the command line
    auto parameter =
        TypedExpectation(manifest, expected.substr(0, equals), expected.substr(equals + 1));
    if (!parameter.ok()) return parameter.status();
    *request.add_expectations() = *std::move(parameter);
  }
  return request;
}

ExitCode PrintExpectations(const plugin::v1::Manifest& manifest, Context& context) {
  context.out << "What " << manifest.id() << " may be told with --expect NAME=VALUE:\n";
  for (const auto& spec : manifest.expectations()) {
    context.out << "  " << spec.variable().id() << '\n'
                << Wrapped(absl::StrCat(spec.variable().label().text(), ". ",
                                        spec.variable().help().text()),
                           6);
  }
  return kDone;
}

ExitCode WriteReport(const Options& options, const analysis::v1::Result& result,
                     study::v1::Protocol protocol, Context& context) {
  ReportContents contents;
  *contents.stored.mutable_result() = result;
  contents.protocol = std::move(protocol);
  contents.origin = absl::StrCat("plan for ", options.study);
  contents.made_on = Today(context);
  contents.finding_heading = "What the plan says";
  const absl::Status written = WriteFile(options.report, ReportPage(contents));
  if (!written.ok()) return FailLocal(context, written);
  context.err << "The plan with its figure is in " << options.report << ".\n";
  return kDone;
}

ExitCode Plan(const Options& options, Context& context) {
  study::v1::Protocol protocol;
  if (const ExitCode read = ReadDefinition(options, context, &protocol); read != kDone) return read;
  const auto analysis = ChooseAnalysis(protocol, options.analysis);
  if (!analysis.ok()) return FailLocal(context, analysis.status());
  const auto catalog = InstalledPlugins(options.folder, context);
  if (!catalog.ok()) return FailLocal(context, catalog.status());
  const auto plugin = catalog->Choose(*analysis);
  if (!plugin.ok()) return FailLocal(context, plugin.status());
  const plugin::v1::Manifest& manifest = (*plugin)->manifest;
  if (options.expectations) return PrintExpectations(manifest, context);

  auto request = MakeRequest(options, manifest);
  if (!request.ok()) return FailLocal(context, request.status());
  *request->mutable_protocol() = protocol;
  *request->mutable_analysis() = analysis::WithDefaults(*analysis, manifest);
  const auto outcome = analysis::Plan(**plugin, *request, LocalLimits(), {}, ProgressTo(context));
  ClearProgress(context);
  const ExitCode printed = PrintOutcome(context, outcome, options.format);
  if (printed != kDone || options.report.empty()) return printed;
  return WriteReport(options, *outcome.answer, std::move(protocol), context);
}

}  // namespace

void AddPlanVerb(CLI::App& app, Action* action) {
  auto options = std::make_shared<Options>();
  auto* verb = app.add_subcommand(
      "plan", "Say how many growers a study needs, or what a number of growers can show");
  verb->add_option("STUDY", options->study,
                   "definition of the study (file), or name of a study on the server")
      ->required();
  verb->add_option("--analysis", options->analysis, "id of the analysis; else the primary one");
  verb->add_option("--blocks", options->blocks,
                   "blocks (growers) that the study can have; else those that --power needs");
  verb->add_option("--power", options->power,
                   "share of such studies that should find the effect; default 0.8");
  verb->add_option("--expect", options->expect,
                   "what is expected of the study: name=value; may be repeated")
      ->check(IsSetting);
  verb->add_flag("--expectations", options->expectations,
                 "list what --expect takes, and what is supposed where nothing is said");
  verb->add_option("--replicates", options->replicates,
                   "simulated studies a number of blocks; default 1000");
  verb->add_option("--seed", options->seed, "seed of all randomness; default 1");
  verb->add_option("--report", options->report, "write an HTML page with the power curve as well");
  AddFormat(verb, &options->format);
  AddPluginFolder(verb, &options->folder);
  AddServerOptions(verb, &options->server);
  verb->footer(
      "Example:\n"
      "  plumule plan basil.protocol.txtpb --expect control_days=18 --expect sooner_days=3\n"
      "  plumule plan basil.protocol.txtpb --blocks 60 --report plan.html");
  verb->callback([=] { *action = [=](Context& context) { return Plan(*options, context); }; });
}

}  // namespace plumule::cli
