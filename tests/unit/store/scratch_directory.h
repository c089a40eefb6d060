// A directory of a test's own, removed with the object.
#pragma once

#include <cstdlib>
#include <filesystem>
#include <string>

namespace plumule::store {

class ScratchDirectory {
 public:
  ScratchDirectory() {
    std::string pattern = (std::filesystem::temp_directory_path() / "plumule-test-XXXXXX").string();
    path_ = mkdtemp(pattern.data());
  }
  ~ScratchDirectory() { std::filesystem::remove_all(path_); }
  ScratchDirectory(const ScratchDirectory&) = delete;
  ScratchDirectory& operator=(const ScratchDirectory&) = delete;

  std::string path(const std::string& name = "store") const { return path_ + "/" + name; }

 private:
  std::string path_;
};

}  // namespace plumule::store
