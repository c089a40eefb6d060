#include <memory>
#include <ostream>

#include "absl/strings/str_cat.h"
#include "clients/cli/command/context.h"
#include "clients/cli/command/secret.h"
#include "clients/cli/command/server_options.h"
#include "clients/cli/print/json.h"

namespace plumule::cli {
namespace {

using access::v1::AccessService;

struct Options {
  ServerOptions server;
  std::string id, title, key_out;
  std::string format = "text";
};

ExitCode Create(const Options& options, Context& context) {
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  if (const ExitCode taken = CheckKeyOut(context, options.key_out); taken != kDone) return taken;
  access::v1::CreateCommunityRequest request;
  request.set_community_id(options.id);
  request.set_title(options.title);
  auto answer = (*server)->CallOnce(&AccessService::Stub::CreateCommunity, request);
  if (!answer.ok()) return FailServer(context, answer.status());
  const std::string secret = answer->secret();
  if (!options.key_out.empty()) {
    const ExitCode kept = KeepSecret(context, options.key_out, secret);
    if (kept != kDone) return kept;
    answer->clear_secret();
  }
  if (options.format == "json") {
    context.out << ToJson(*answer);
    return kDone;
  }
  context.out << "Community " << answer->community().name() << " is there.\n";
  ShowSecret(context, options.key_out, secret, "organizer's key");
  return kDone;
}

ExitCode List(const Options& options, Context& context) {
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  access::v1::ListCommunitiesRequest request;
  access::v1::ListCommunitiesResponse all;
  do {
    auto page = (*server)->Call(&AccessService::Stub::ListCommunities, request);
    if (!page.ok()) return FailServer(context, page.status());
    request.set_page_token(page->next_page_token());
    all.MergeFrom(*page);
  } while (!request.page_token().empty());
  all.clear_next_page_token();
  if (options.format == "json") {
    context.out << ToJson(all);
    return kDone;
  }
  for (const auto& community : all.communities()) {
    context.out << community.name() << "  " << community.title() << '\n';
  }
  if (all.communities().empty()) context.out << "No communities.\n";
  return kDone;
}

}  // namespace

void AddCommunityVerbs(CLI::App& app, Action* action) {
  auto* noun = app.add_subcommand("community", "Communities of a server (operator's key)");
  noun->require_subcommand(1);
  auto options = std::make_shared<Options>();
  auto* create = noun->add_subcommand("create", "Make a community and its first organizer's key");
  create->add_option("ID", options->id, "lower-case letters, digits, hyphens")->required();
  create->add_option("--title", options->title, "what people call it");
  AddKeyOut(create, &options->key_out);
  create->footer(
      "Example:\n  plumule community create balcony --title \"Balcony growers\" "
      "--key-out organizer.key");
  create->callback([=] { *action = [=](Context& context) { return Create(*options, context); }; });
  auto* list = noun->add_subcommand("list", "List communities");
  list->footer("Example:\n  plumule community list");
  list->callback([=] { *action = [=](Context& context) { return List(*options, context); }; });
  for (auto* verb : {create, list}) {
    AddServerOptions(verb, &options->server);
    AddFormat(verb, &options->format);
  }
}

}  // namespace plumule::cli
