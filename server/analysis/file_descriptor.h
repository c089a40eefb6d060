// An open descriptor that closes itself.
#pragma once

#include <unistd.h>

#include <utility>

namespace plumule::analysis {

// Owns a descriptor; -1 for none. Movable.
class FileDescriptor {
 public:
  FileDescriptor() = default;
  explicit FileDescriptor(int number) : number_(number) {}
  FileDescriptor(FileDescriptor&& other) noexcept : number_(std::exchange(other.number_, -1)) {}
  FileDescriptor& operator=(FileDescriptor&& other) noexcept {
    if (this != &other) {
      Close();
      number_ = std::exchange(other.number_, -1);
    }
    return *this;
  }
  ~FileDescriptor() { Close(); }

  int number() const { return number_; }
  bool is_open() const { return number_ >= 0; }
  void Close() {
    if (number_ >= 0) close(number_);
    number_ = -1;
  }

 private:
  int number_ = -1;
};

}  // namespace plumule::analysis
