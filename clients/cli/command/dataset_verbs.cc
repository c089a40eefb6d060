#include <memory>
#include <ostream>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "clients/cli/command/context.h"
#include "clients/cli/command/fetch.h"
#include "clients/cli/command/server_options.h"
#include "clients/cli/files.h"
#include "clients/cli/table/dataset_csv.h"
#include "clients/cpp/error.h"

namespace plumule::cli {
namespace {

struct Options {
  ServerOptions server;
  std::string freeze, out, looks;
};

absl::StatusOr<std::string> ReadTableCsv(client::Connection& server, const std::string& freeze,
                                         analysis::v1::DatasetTable table) {
  analysis::v1::ReadDatasetRequest request;
  request.set_freeze(freeze);
  request.set_table(table);
  grpc::ClientContext call;
  server.Authorize(&call);
  auto reader = server.Of<analysis::v1::AnalysisService::Stub>().ReadDataset(&call, request);
  DatasetCsv csv;
  analysis::v1::ReadDatasetResponse part;
  absl::Status problem = absl::OkStatus();
  while (problem.ok() && reader->Read(&part)) {
    if (part.has_schema()) csv.Begin(part.schema());
    if (part.has_chunk()) problem = csv.Add(part.chunk());
  }
  if (!problem.ok()) call.TryCancel();
  const absl::Status status = client::FromGrpc(reader->Finish());
  if (!problem.ok()) return problem;
  if (!status.ok()) return status;
  return std::move(csv).Text();
}

ExitCode Export(const Options& options, Context& context) {
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  std::string freeze = options.freeze;
  if (!absl::StrContains(freeze, "/freezes/")) {
    const auto study = StudyName(freeze);
    if (!study.ok()) return FailLocal(context, study.status());
    auto newest = NewestFreeze(**server, *study);
    if (!newest.ok()) return FailServer(context, newest.status());
    freeze = *std::move(newest);
  }
  const auto write = [&](analysis::v1::DatasetTable table, const std::string& path) {
    const auto csv = ReadTableCsv(**server, freeze, table);
    if (!csv.ok()) return FailServer(context, csv.status());
    const absl::Status written = WriteFile(path, *csv);
    if (!written.ok()) return FailLocal(context, written);
    context.err << freeze << " is in " << path << ".\n";
    return kDone;
  };
  const ExitCode units = write(analysis::v1::DATASET_TABLE_UNITS, options.out);
  if (units != kDone || options.looks.empty()) return units;
  return write(analysis::v1::DATASET_TABLE_LOOKS, options.looks);
}

}  // namespace

void AddDatasetVerbs(CLI::App& app, Action* action) {
  auto* noun = app.add_subcommand("dataset", "Frozen datasets");
  noun->require_subcommand(1);
  auto options = std::make_shared<Options>();
  auto* verb = noun->add_subcommand("export", "Write a frozen dataset as CSV");
  verb->add_option("FREEZE", options->freeze, "name of the freeze; or a study, for its newest")
      ->required();
  verb->add_option("--out", options->out, "file for the table with one row a unit")->required();
  verb->add_option("--looks", options->looks, "file for the table with one row a look");
  AddServerOptions(verb, &options->server);
  verb->footer(
      "Words that a spreadsheet would run as a formula get an apostrophe in front.\n\n"
      "Example:\n  plumule dataset export balcony/basil-water --out units.csv "
      "--looks looks.csv");
  verb->callback([=] { *action = [=](Context& context) { return Export(*options, context); }; });
}

}  // namespace plumule::cli
