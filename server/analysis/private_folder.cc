#include "server/analysis/private_folder.h"

#include <stdlib.h>

#include <cerrno>
#include <filesystem>
#include <system_error>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"

namespace plumule::analysis {

absl::StatusOr<PrivateFolder> PrivateFolder::MakeIn(const std::string& parent) {
  std::string path = absl::StrCat(parent, "/plu-XXXXXX");
  if (mkdtemp(path.data()) == nullptr) {
    return absl::ErrnoToStatus(errno, absl::StrCat("can't make a private folder in ", parent));
  }
  return PrivateFolder(std::move(path));
}

PrivateFolder::PrivateFolder(PrivateFolder&& other) noexcept
    : path_(std::exchange(other.path_, {})) {}

PrivateFolder& PrivateFolder::operator=(PrivateFolder&& other) noexcept {
  if (this != &other) {
    Delete();
    path_ = std::exchange(other.path_, {});
  }
  return *this;
}

PrivateFolder::~PrivateFolder() { Delete(); }

void PrivateFolder::Delete() {
  if (path_.empty()) return;
  // What can't be deleted (a folder whose owner forbade it) stays; there is nobody to tell.
  std::error_code ignored;
  std::filesystem::remove_all(path_, ignored);
  path_.clear();
}

}  // namespace plumule::analysis
