#include "clients/cli/command/server_options.h"

#include <vector>

#include "absl/status/status.h"
#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"
#include "clients/cli/files.h"

namespace plumule::cli {

void AddServerOptions(CLI::App* verb, ServerOptions* options) {
  verb->add_option("--server", options->address, "HOST:PORT of the server; else PLUMULE_SERVER");
  verb->add_option("--key-file", options->key_file,
                   "file that holds the key; else the key is in PLUMULE_KEY");
  verb->add_option_function<std::string>(
          "--key",
          [](const std::string&) {
            throw CLI::ValidationError(
                "--key",
                "a key on the command line shows in process lists; put it into a file and "
                "use --key-file, or into PLUMULE_KEY");
          })
      ->group("");
}

bool HasServer(const ServerOptions& options, const Context& context) {
  return !options.address.empty() || !context.environment("PLUMULE_SERVER").empty();
}

absl::StatusOr<std::unique_ptr<client::Connection>> Connect(const ServerOptions& options,
                                                            const Context& context) {
  client::ConnectionOptions connection;
  connection.address =
      options.address.empty() ? context.environment("PLUMULE_SERVER") : options.address;
  if (connection.address.empty()) {
    return absl::InvalidArgumentError(
        "no server is named; use --server HOST:PORT or set PLUMULE_SERVER");
  }
  if (!options.key_file.empty()) {
    auto key = ReadFile(options.key_file, 4096);
    if (!key.ok()) return key.status();
    connection.key = std::string(absl::StripAsciiWhitespace(*key));
  } else {
    connection.key = context.environment("PLUMULE_KEY");
  }
  if (connection.key.empty()) {
    return absl::InvalidArgumentError("no key is given; use --key-file FILE or set PLUMULE_KEY");
  }
  return std::make_unique<client::Connection>(std::move(connection));
}

absl::StatusOr<std::string> StudyName(absl::string_view text) {
  const std::vector<std::string> parts = absl::StrSplit(text, '/');
  if (parts.size() == 4 && parts[0] == "communities" && parts[2] == "studies") {
    return std::string(text);
  }
  if (parts.size() == 2 && !parts[0].empty() && !parts[1].empty()) {
    return absl::StrCat("communities/", parts[0], "/studies/", parts[1]);
  }
  return absl::InvalidArgumentError(absl::StrCat("\"", text,
                                                 "\" names no study; write COMMUNITY/STUDY or "
                                                 "communities/COMMUNITY/studies/STUDY"));
}

std::string CommunityName(absl::string_view text) {
  if (absl::StartsWith(text, "communities/")) return std::string(text);
  return absl::StrCat("communities/", text);
}

}  // namespace plumule::cli
