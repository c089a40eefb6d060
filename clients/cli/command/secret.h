#pragma once

#include <CLI/CLI.hpp>
#include <string>

#include "absl/strings/string_view.h"
#include "clients/cli/command/context.h"

namespace plumule::cli {

// Secrets are shown once by the server: where they go is settled before they are made.

// Adds `--key-out FILE`.
void AddKeyOut(CLI::App* verb, std::string* path);
// Fails before anything is asked of the server if `path` (may be empty) is there already.
ExitCode CheckKeyOut(Context& context, const std::string& path);
// Writes the secret to a new file that only its owner may read. On failure the secret is printed,
// so that it is not lost.
ExitCode KeepSecret(Context& context, const std::string& path, absl::string_view secret);
// Says where the secret is, or shows it.
void ShowSecret(Context& context, const std::string& path, absl::string_view secret,
                absl::string_view what);

}  // namespace plumule::cli
