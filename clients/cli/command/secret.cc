#include "clients/cli/command/secret.h"

#include <filesystem>
#include <ostream>
#include <system_error>

#include "absl/strings/str_cat.h"
#include "clients/cli/files.h"

namespace plumule::cli {

void AddKeyOut(CLI::App* verb, std::string* path) {
  verb->add_option("--key-out", *path,
                   "write the key to this new file (mode 0600), do not show it");
}

ExitCode CheckKeyOut(Context& context, const std::string& path) {
  std::error_code error;
  if (path.empty() || !std::filesystem::exists(path, error)) return kDone;
  return Fail(context, kUnusable,
              absl::StrCat(path, ": is there already and is not replaced; choose another path"));
}

ExitCode KeepSecret(Context& context, const std::string& path, absl::string_view secret) {
  const absl::Status written = WriteSecretFile(path, absl::StrCat(secret, "\n"));
  if (written.ok()) return kDone;
  context.out << secret << '\n';
  return Fail(context, kUnusable,
              absl::StrCat(written.message(), "; the key is on standard output instead"));
}

void ShowSecret(Context& context, const std::string& path, absl::string_view secret,
                absl::string_view what) {
  if (!path.empty()) {
    context.out << "The " << what << " is in " << path << ".\n";
    return;
  }
  context.out << "The " << what << ", shown this once; keep it safe:\n" << secret << '\n';
}

}  // namespace plumule::cli
