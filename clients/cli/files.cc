#include "clients/cli/files.h"

#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <cstdio>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <system_error>

#include "absl/strings/str_cat.h"

namespace plumule::cli {

absl::StatusOr<std::string> ReadFile(const std::string& path, size_t max_bytes) {
  std::error_code error;
  if (std::filesystem::is_directory(path, error)) {
    return absl::InvalidArgumentError(absl::StrCat(path, ": is a directory, not a file"));
  }
  std::ifstream file(path, std::ios::binary);
  if (!file) {
    return absl::NotFoundError(
        absl::StrCat(path, ": can't be opened (", std::strerror(errno), "); check the path"));
  }
  std::string bytes;
  char buffer[65536];
  while (file.read(buffer, sizeof buffer) || file.gcount() > 0) {
    bytes.append(buffer, static_cast<size_t>(file.gcount()));
    if (bytes.size() > max_bytes) {
      return absl::InvalidArgumentError(
          absl::StrCat(path, ": is larger than ", max_bytes >> 20, " MiB"));
    }
  }
  return bytes;
}

namespace {

absl::Status WriteAll(int descriptor, absl::string_view bytes, const std::string& path) {
  while (!bytes.empty()) {
    const ssize_t written = write(descriptor, bytes.data(), bytes.size());
    if (written < 0 && errno == EINTR) continue;
    if (written < 0) {
      return absl::UnavailableError(
          absl::StrCat(path, ": can't be written (", std::strerror(errno), ")"));
    }
    bytes.remove_prefix(static_cast<size_t>(written));
  }
  return absl::OkStatus();
}

absl::Status CanNotWrite(const std::string& path) {
  return absl::InvalidArgumentError(
      absl::StrCat(path, ": can't be written (", std::strerror(errno), "); choose another place"));
}

}  // namespace

absl::Status WriteFile(const std::string& path, absl::string_view bytes) {
  std::error_code error;
  if (std::filesystem::exists(path, error) && !std::filesystem::is_regular_file(path, error)) {
    const int direct = open(path.c_str(), O_WRONLY | O_CLOEXEC);  // a pipe or /dev/stdout
    if (direct < 0) return CanNotWrite(path);
    absl::Status status = WriteAll(direct, bytes, path);
    close(direct);
    return status;
  }
  const std::string beside = absl::StrCat(path, ".", getpid(), ".part");
  const int descriptor = open(beside.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
  if (descriptor < 0) return CanNotWrite(path);
  absl::Status status = WriteAll(descriptor, bytes, path);
  if (close(descriptor) != 0 && status.ok()) status = CanNotWrite(path);
  if (status.ok() && std::rename(beside.c_str(), path.c_str()) != 0) status = CanNotWrite(path);
  if (!status.ok()) unlink(beside.c_str());
  return status;
}

absl::Status WriteSecretFile(const std::string& path, absl::string_view bytes) {
  const int descriptor = open(path.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
  if (descriptor < 0 && errno == EEXIST) {
    return absl::AlreadyExistsError(
        absl::StrCat(path, ": is there already and is not replaced; choose another path"));
  }
  if (descriptor < 0) return CanNotWrite(path);
  absl::Status status = WriteAll(descriptor, bytes, path);
  close(descriptor);
  return status;
}

}  // namespace plumule::cli
