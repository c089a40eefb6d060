// The output of a process, kept within bounds.
#pragma once

#include <cstdint>
#include <string>

#include "absl/strings/string_view.h"

namespace plumule::analysis {

// Keeps the beginning and the end of a stream of bytes. Not thread-safe.
class BoundedOutput {
 public:
  // Keeps at most `kept_bytes`, half of them from the beginning.
  explicit BoundedOutput(size_t kept_bytes) : half_(kept_bytes / 2) {}

  void Append(absl::string_view bytes);

  // Bytes that were appended.
  std::int64_t total() const { return total_; }

  // What was kept, as readable UTF-8, with a line in the middle that says how much is left out.
  std::string Text() const;

 private:
  const size_t half_;
  std::string head_;
  // Up to twice `half_`, so that it is cut rarely.
  std::string tail_;
  std::int64_t total_ = 0;
};

}  // namespace plumule::analysis
