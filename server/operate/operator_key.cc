#include "server/operate/operator_key.h"

#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>

#include "absl/strings/str_cat.h"
#include "server/protocol/reason.h"

namespace plumule::operate {
namespace {

absl::Status NotWritten(const std::string& path, int error) {
  return ReasonedError(
      absl::StatusCode::kUnavailable, "key_file_not_written",
      absl::StrCat("the operator's key could not be written to ", path, ": ", std::strerror(error),
                   "; no key was made, mend that and start again"));
}

bool WriteAll(int descriptor, absl::string_view bytes) {
  while (!bytes.empty()) {
    const ssize_t written = write(descriptor, bytes.data(), bytes.size());
    if (written < 0 && errno == EINTR) continue;
    if (written <= 0) return false;
    bytes.remove_prefix(static_cast<std::size_t>(written));
  }
  return true;
}

}  // namespace

absl::Status WriteOperatorKey(const std::string& path, absl::string_view key) {
  const int descriptor = open(path.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
  if (descriptor < 0 && errno == EEXIST) {
    return ReasonedError(absl::StatusCode::kAlreadyExists, "key_file_exists",
                         absl::StrCat(path,
                                      " is there already and is not overwritten; give "
                                      "--operator-key-file another name"));
  }
  if (descriptor < 0) return NotWritten(path, errno);
  const bool written = WriteAll(descriptor, absl::StrCat(key, "\n")) && fsync(descriptor) == 0;
  const int error = errno;
  close(descriptor);
  if (written) return absl::OkStatus();
  unlink(path.c_str());
  return NotWritten(path, error);
}

void ShowOperatorKey(std::ostream& out, absl::string_view key) {
  out << "\n"
         "  The operator's key of this server. It is shown this once and kept nowhere else:\n"
         "\n"
         "      "
      << key
      << "\n"
         "\n"
         "  Keep it safe. With it, communities and their keys are made.\n"
      << std::endl;
}

}  // namespace plumule::operate
