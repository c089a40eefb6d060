// A folder of its own for one process: nobody else can look in, and it goes with its owner.
#pragma once

#include <string>

#include "absl/status/statusor.h"

namespace plumule::analysis {

// A folder with mode 0700 that is deleted with everything in it when the object goes. Movable.
class PrivateFolder {
 public:
  // Makes one inside `parent`. UNAVAILABLE or the like, with words, if that can't be done.
  static absl::StatusOr<PrivateFolder> MakeIn(const std::string& parent);

  PrivateFolder(PrivateFolder&& other) noexcept;
  PrivateFolder& operator=(PrivateFolder&& other) noexcept;
  ~PrivateFolder();

  const std::string& path() const { return path_; }

 private:
  explicit PrivateFolder(std::string path) : path_(std::move(path)) {}
  void Delete();

  std::string path_;
};

}  // namespace plumule::analysis
