// What the operator asks of the server on its command line.
#pragma once

#include <optional>
#include <string>
#include <variant>

#include "absl/status/status.h"
#include "absl/strings/string_view.h"

namespace plumule::operate {

// How log lines look.
enum class LogFormat { kConsole, kJson };

// One run of the server.
struct Config {
  // Directory of everything durable. Made if it is not there.
  std::string data_directory;
  // "HOST:PORT"; port 0 lets the system choose.
  std::string listen = "127.0.0.1:7413";
  // Allows `listen` to be reachable from other machines.
  bool allow_exposed = false;
  // Directory of plugins.
  std::string plugin_directory;
  LogFormat log_format = LogFormat::kConsole;
  // Where the operator's key is written when it is made; empty: shown on standard output.
  std::string operator_key_file;
  // Check what is stored and exit, instead of serving.
  bool verify = false;
};

// The program ends at once: `text` goes to standard output for code 0, to standard error else.
struct EndNow {
  int exit_code = 0;
  std::string text;
};

// Version of plumule.
absl::string_view Version();

// Reads the command line. `executable_directory` is where the program lies: plugins are looked for
// beside it unless the line says where they are.
std::variant<Config, EndNow> ReadCommandLine(int argc, const char* const* argv,
                                             const std::string& executable_directory);

// True for "127.0.0.1:7413", "localhost:0", "[::1]:7413" and the like.
bool IsLoopback(absl::string_view address);

// Refuses an address that other machines can reach unless that was allowed in so many words.
// FAILED_PRECONDITION (`address_exposed`), INVALID_ARGUMENT (`address_not_valid`).
absl::Status CheckAddress(const Config& config);

}  // namespace plumule::operate
