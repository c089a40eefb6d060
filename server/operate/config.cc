#include "server/operate/config.h"

#include <CLI/CLI.hpp>
#include <filesystem>
#include <map>
#include <optional>
#include <sstream>

#include "absl/strings/match.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"
#include "server/protocol/reason.h"

namespace plumule::operate {
namespace {

constexpr char kAbout[] =
    "Hosts studies: takes in records, keeps their logs, runs the analyses that protocols name.\n"
    "Example: plumule-server --data /var/lib/plumule";

constexpr char kWhyNotExposed[] =
    "gRPC 1.51, on which this server is built, has known weaknesses in HTTP/2 that let a stranger "
    "stop it (CVE-2023-33953, CVE-2023-4785, CVE-2023-44487), and the connection is not encrypted. "
    "Put a proxy with TLS and connection limits in front and let the server listen on 127.0.0.1; "
    "or, on a network where everyone is trusted, add --allow-exposed";

// Both places where plugins lie, relative to the program: beside it, as installed, or one up.
std::string DefaultPluginDirectory(const std::filesystem::path& executable_directory) {
  const std::filesystem::path beside = executable_directory / "plugins";
  std::error_code ignored;
  if (std::filesystem::is_directory(beside, ignored)) return beside.string();
  return (executable_directory / ".." / "plugins").lexically_normal().string();
}

// "HOST:PORT" or "[HOST]:PORT" taken apart.
struct HostPort {
  absl::string_view host;
  int port = 0;
};

std::optional<HostPort> SplitAddress(absl::string_view address) {
  const std::size_t colon = address.rfind(':');
  HostPort parts;
  if (colon == absl::string_view::npos || colon == 0 ||
      !absl::SimpleAtoi(address.substr(colon + 1), &parts.port) || parts.port < 0 ||
      parts.port > 65535) {
    return std::nullopt;
  }
  parts.host = address.substr(0, colon);
  const bool bracketed = absl::StartsWith(parts.host, "[") && absl::EndsWith(parts.host, "]");
  if (!bracketed && absl::StrContains(parts.host, ':')) return std::nullopt;
  if (bracketed) parts.host = parts.host.substr(1, parts.host.size() - 2);
  return parts;
}

// A dotted address of four numbers that begins with 127: "127.evil.example" is a name, not one.
bool IsLoopbackNumber(absl::string_view host) {
  int parts = 0;
  for (const absl::string_view part : absl::StrSplit(host, '.')) {
    int number = 0;
    if (part.size() > 3 || !absl::SimpleAtoi(part, &number) || number < 0 || number > 255) {
      return false;
    }
    if (parts++ == 0 && number != 127) return false;
  }
  return parts == 4;
}

}  // namespace

absl::string_view Version() { return PLUMULE_VERSION; }

bool IsLoopback(absl::string_view address) {
  const std::optional<HostPort> parts = SplitAddress(address);
  return parts.has_value() &&
         (parts->host == "localhost" || parts->host == "::1" || IsLoopbackNumber(parts->host));
}

absl::Status CheckAddress(const Config& config) {
  if (!SplitAddress(config.listen).has_value()) {
    return ReasonedError(absl::StatusCode::kInvalidArgument, "address_not_valid",
                         absl::StrCat("--listen ", config.listen,
                                      " is not an address; give HOST:PORT, 127.0.0.1:7413"));
  }
  if (IsLoopback(config.listen) || config.allow_exposed) return absl::OkStatus();
  return ReasonedError(
      absl::StatusCode::kFailedPrecondition, "address_exposed",
      absl::StrCat("--listen ", config.listen,
                   " can be reached from other machines, which is refused: ", kWhyNotExposed));
}

std::variant<Config, EndNow> ReadCommandLine(int argc, const char* const* argv,
                                             const std::string& executable_directory) {
  Config config;
  CLI::App app(kAbout, "plumule-server");
  app.set_version_flag("--version", absl::StrCat("plumule-server ", Version()));
  app.add_option("--data", config.data_directory, "Directory of everything durable")->required();
  app.add_option("--listen", config.listen, "HOST:PORT to serve on; port 0: any free one")
      ->capture_default_str();
  app.add_flag("--allow-exposed", config.allow_exposed,
               "Let --listen be an address that other machines can reach");
  app.add_option("--plugins", config.plugin_directory,
                 "Directory of plugins; usually `plugins` beside the program");
  app.add_option("--log-format", config.log_format, "console or json")
      ->transform(CLI::CheckedTransformer(std::map<std::string, LogFormat>{
          {"console", LogFormat::kConsole}, {"json", LogFormat::kJson}}));
  app.add_option("--operator-key-file", config.operator_key_file,
                 "New file for the operator's key, made at the first start, instead of showing it");
  app.add_flag("--verify", config.verify,
               "Check every log and every stored byte, say what was found, and exit: 0 sound, 1 "
               "damaged");
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& error) {
    std::ostringstream out;
    std::ostringstream err;
    const int code = app.exit(error, out, err);
    return EndNow{code == 0 ? 0 : 2, code == 0 ? out.str() : err.str()};
  }
  if (config.plugin_directory.empty()) {
    config.plugin_directory = DefaultPluginDirectory(executable_directory);
  }
  return config;
}

}  // namespace plumule::operate
