#include <filesystem>
#include <memory>
#include <ostream>
#include <system_error>

#include "absl/strings/match.h"
#include "clients/cli/command/context.h"
#include "clients/cli/command/fetch.h"
#include "clients/cli/command/server_options.h"
#include "clients/cli/files.h"
#include "clients/cli/print/json.h"
#include "clients/cli/report/report.h"
#include "server/protocol/protocol_file.h"

namespace plumule::cli {
namespace {

struct Options {
  ServerOptions server;
  std::string result, out, protocol;
};

ExitCode FromFile(const Options& options, Context& context, ReportContents* contents) {
  const auto json = ReadFile(options.result);
  if (!json.ok()) return FailLocal(context, json.status());
  auto stored = ParseResultJson(*json);
  if (!stored.ok()) {
    return Fail(context, kUnusable, options.result + ": " + std::string(stored.status().message()));
  }
  contents->stored = *std::move(stored);
  contents->origin = "local file " + std::filesystem::path(options.result).filename().string();
  return kDone;
}

ExitCode FromServer(const Options& options, Context& context, ReportContents* contents) {
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  auto stored = FetchResult(**server, options.result);
  if (!stored.ok()) return FailServer(context, stored.status());
  contents->stored = *std::move(stored);
  auto protocol = FetchProtocol(**server, contents->stored.provenance().study());
  if (!protocol.ok()) return FailServer(context, protocol.status());
  contents->protocol = std::move(*protocol->mutable_protocol());
  return kDone;
}

ExitCode Report(const Options& options, Context& context) {
  ReportContents contents;
  std::error_code error;
  const bool is_name = absl::StartsWith(options.result, "communities/") &&
                       !std::filesystem::exists(options.result, error);
  const ExitCode fetched =
      is_name ? FromServer(options, context, &contents) : FromFile(options, context, &contents);
  if (fetched != kDone) return fetched;
  if (!options.protocol.empty()) {
    auto protocol = protocol::ReadProtocolFile(options.protocol);
    if (!protocol.ok()) return FailLocal(context, protocol.status());
    contents.protocol = *std::move(protocol);
  }
  contents.made_on = Today(context);
  const absl::Status written = WriteFile(options.out, ReportPage(contents));
  if (!written.ok()) return FailLocal(context, written);
  context.err << "The report is in " << options.out << ".\n";
  return kDone;
}

}  // namespace

void AddReportVerb(CLI::App& app, Action* action) {
  auto options = std::make_shared<Options>();
  auto* verb = app.add_subcommand("report", "Write one self-contained HTML file about a result");
  verb->add_option("RESULT", options->result,
                   "name of a result on the server, or a file of its JSON")
      ->required();
  verb->add_option("--out", options->out, "the HTML file to write")->required();
  verb->add_option("--protocol", options->protocol,
                   "definition of the study, for the words of a local result");
  AddServerOptions(verb, &options->server);
  verb->footer(
      "Example:\n"
      "  plumule report communities/balcony/studies/basil-water/results/1 --out basil.html\n"
      "  plumule report result.json --protocol basil.protocol.txtpb --out basil.html");
  verb->callback([=] { *action = [=](Context& context) { return Report(*options, context); }; });
}

}  // namespace plumule::cli
