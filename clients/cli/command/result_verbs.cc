#include <memory>
#include <ostream>

#include "clients/cli/command/context.h"
#include "clients/cli/command/fetch.h"
#include "clients/cli/command/server_options.h"
#include "clients/cli/print/json.h"
#include "clients/cli/print/result_text.h"
#include "server/protocol/civil_date.h"

namespace plumule::cli {
namespace {

struct Options {
  ServerOptions server;
  std::string name, study;
  std::string format = "text";
};

ExitCode Show(const Options& options, Context& context) {
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  const auto result = FetchResult(**server, options.name);
  if (!result.ok()) return FailServer(context, result.status());
  context.out << (options.format == "json" ? ToJson(*result) : ResultText(result->result()));
  return kDone;
}

ExitCode List(const Options& options, Context& context) {
  const auto study = StudyName(options.study);
  if (!study.ok()) return FailLocal(context, study.status());
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  analysis::v1::ListResultsRequest request;
  request.set_parent(*study);
  analysis::v1::ListResultsResponse all;
  do {
    auto page = (*server)->Call(&analysis::v1::AnalysisService::Stub::ListResults, request);
    if (!page.ok()) return FailServer(context, page.status());
    request.set_page_token(page->next_page_token());
    all.MergeFrom(*page);
  } while (!request.page_token().empty());
  all.clear_next_page_token();
  if (options.format == "json") {
    context.out << ToJson(all);
    return kDone;
  }
  for (const auto& result : all.results()) {
    const auto& from = result.provenance();
    context.out << result.name() << "  " << from.analysis().id() << "  " << from.plugin().id()
                << ' ' << from.plugin().version() << "  "
                << protocol::SpellDate(absl::ToCivilDay(
                       absl::FromUnixSeconds(from.end_time().seconds()), absl::UTCTimeZone()))
                << '\n';
  }
  if (all.results().empty()) context.out << "No results.\n";
  return kDone;
}

}  // namespace

void AddResultVerbs(CLI::App& app, Action* action) {
  auto* noun = app.add_subcommand("result", "Stored results of a study");
  noun->require_subcommand(1);
  auto options = std::make_shared<Options>();
  auto* show = noun->add_subcommand("show", "Show a result");
  show->add_option("RESULT", options->name, "its name")->required();
  show->footer("Example:\n  plumule result show communities/balcony/studies/basil-water/results/1");
  show->callback([=] { *action = [=](Context& context) { return Show(*options, context); }; });
  auto* list = noun->add_subcommand("list", "List the results of a study, newest first");
  list->add_option("STUDY", options->study, "COMMUNITY/STUDY, or the full name")->required();
  list->footer("Example:\n  plumule result list balcony/basil-water");
  list->callback([=] { *action = [=](Context& context) { return List(*options, context); }; });
  for (auto* verb : {show, list}) {
    AddServerOptions(verb, &options->server);
    AddFormat(verb, &options->format);
  }
}

}  // namespace plumule::cli
