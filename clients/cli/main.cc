#include <unistd.h>

#include <cstdlib>
#include <exception>
#include <filesystem>
#include <iostream>
#include <string>
#include <system_error>
#include <vector>

#include "absl/time/clock.h"
#include "clients/cli/command/context.h"

int main(int argc, char** argv) {
  std::error_code error;
  const std::filesystem::path program = std::filesystem::read_symlink("/proc/self/exe", error);
  plumule::cli::Context context{
      .out = std::cout,
      .err = std::cerr,
      .progress = isatty(STDERR_FILENO) == 1,
      .environment =
          [](const char* name) {
            const char* value = std::getenv(name);
            return std::string(value == nullptr ? "" : value);
          },
      .now = [] { return absl::Now(); },
      .program_folder = program.parent_path().string(),
  };
  const std::vector<std::string> arguments(argv + 1, argv + argc);
  try {
    const int code = plumule::cli::RunProgram(arguments, context);
    std::cout.flush();
    if (!std::cout) {
      std::cerr << "plumule: standard output can't be written; is the disk full?\n";
      return plumule::cli::kUnusable;
    }
    return code;
  } catch (const std::exception& exception) {
    std::cerr << "plumule: " << exception.what() << '\n';
    return plumule::cli::kServer;
  }
}
