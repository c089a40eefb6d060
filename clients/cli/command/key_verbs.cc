#include <memory>
#include <ostream>

#include "absl/strings/ascii.h"
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
  std::string community, role, label, key_out, key;
  std::string format = "text";
};

std::string RoleWords(access::v1::Role role) {
  const std::string name = access::v1::Role_Name(role);
  return absl::AsciiStrToLower(name.substr(name.find('_') + 1));
}

ExitCode Create(const Options& options, Context& context) {
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  if (const ExitCode taken = CheckKeyOut(context, options.key_out); taken != kDone) return taken;
  access::v1::CreateKeyRequest request;
  request.set_parent(CommunityName(options.community));
  access::v1::Role role = access::v1::ROLE_UNSPECIFIED;
  access::v1::Role_Parse(absl::StrCat("ROLE_", absl::AsciiStrToUpper(options.role)), &role);
  request.set_role(role);
  request.set_label(options.label);
  auto answer = (*server)->CallOnce(&AccessService::Stub::CreateKey, request);
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
  context.out << "Key " << answer->key().name() << " (" << RoleWords(answer->key().role())
              << ") is there.\n";
  ShowSecret(context, options.key_out, secret, "key");
  return kDone;
}

ExitCode List(const Options& options, Context& context) {
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  access::v1::ListKeysRequest request;
  request.set_parent(CommunityName(options.community));
  access::v1::ListKeysResponse all;
  do {
    auto page = (*server)->Call(&AccessService::Stub::ListKeys, request);
    if (!page.ok()) return FailServer(context, page.status());
    request.set_page_token(page->next_page_token());
    all.MergeFrom(*page);
  } while (!request.page_token().empty());
  all.clear_next_page_token();
  if (options.format == "json") {
    context.out << ToJson(all);
    return kDone;
  }
  for (const auto& key : all.keys()) {
    context.out << key.name() << "  " << RoleWords(key.role()) << (key.revoked() ? "  revoked" : "")
                << "  " << key.label() << '\n';
  }
  if (all.keys().empty()) context.out << "No keys.\n";
  return kDone;
}

ExitCode Revoke(const Options& options, Context& context) {
  auto server = Connect(options.server, context);
  if (!server.ok()) return FailLocal(context, server.status());
  access::v1::RevokeKeyRequest request;
  request.set_name(options.key);
  const auto answer = (*server)->Call(&AccessService::Stub::RevokeKey, request);
  if (!answer.ok()) return FailServer(context, answer.status());
  if (options.format == "json") {
    context.out << ToJson(*answer);
  } else {
    context.out << "Key " << answer->key().name() << " no longer opens anything.\n";
  }
  return kDone;
}

}  // namespace

void AddKeyVerbs(CLI::App& app, Action* action) {
  auto* noun = app.add_subcommand("key", "Keys of a community");
  noun->require_subcommand(1);
  auto options = std::make_shared<Options>();
  auto* create = noun->add_subcommand("create", "Make a key");
  create->add_option("COMMUNITY", options->community, "id of the community")->required();
  create->add_option("--role", options->role, "organizer, intake or researcher")
      ->required()
      ->check(CLI::IsMember({"organizer", "intake", "researcher"}));
  create->add_option("--label", options->label, "what it is for; no names of people");
  AddKeyOut(create, &options->key_out);
  create->footer(
      "Example:\n  plumule key create balcony --role intake --label \"phone app\" "
      "--key-out intake.key");
  create->callback([=] { *action = [=](Context& context) { return Create(*options, context); }; });
  auto* list = noun->add_subcommand("list", "List keys, without their secrets");
  list->add_option("COMMUNITY", options->community, "id of the community")->required();
  list->footer("Example:\n  plumule key list balcony");
  list->callback([=] { *action = [=](Context& context) { return List(*options, context); }; });
  auto* revoke = noun->add_subcommand("revoke", "End a key at once");
  revoke->add_option("KEY", options->key, "its name, communities/COMMUNITY/keys/KEY")->required();
  revoke->footer("Example:\n  plumule key revoke communities/balcony/keys/k7wq2a5d");
  revoke->callback([=] { *action = [=](Context& context) { return Revoke(*options, context); }; });
  for (auto* verb : {create, list, revoke}) {
    AddServerOptions(verb, &options->server);
    AddFormat(verb, &options->format);
  }
}

}  // namespace plumule::cli
