#pragma once

#include <CLI/CLI.hpp>
#include <memory>
#include <string>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "clients/cli/command/context.h"
#include "clients/cpp/connection.h"

namespace plumule::cli {

// Where the server is, and under which key.
struct ServerOptions {
  std::string address;
  std::string key_file;
};

// Adds `--server` and `--key-file`. A key on the command line is refused: process lists show it.
void AddServerOptions(CLI::App* verb, ServerOptions* options);

// A connection by options, else by PLUMULE_SERVER and PLUMULE_KEY. InvalidArgument if either is
// missing. Connects when first used.
absl::StatusOr<std::unique_ptr<client::Connection>> Connect(const ServerOptions& options,
                                                            const Context& context);

// True if the options or the environment name a server.
bool HasServer(const ServerOptions& options, const Context& context);

// "communities/C/studies/S" from that or from the short "C/S". InvalidArgument for anything else.
absl::StatusOr<std::string> StudyName(absl::string_view text);
// "communities/C" from that or from "C".
std::string CommunityName(absl::string_view text);

}  // namespace plumule::cli
