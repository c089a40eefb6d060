#include "server/analysis/bounded_output.h"

#include <algorithm>

#include "absl/strings/str_cat.h"
#include "server/analysis/utf8.h"

namespace plumule::analysis {

void BoundedOutput::Append(absl::string_view bytes) {
  total_ += static_cast<std::int64_t>(bytes.size());
  const size_t to_head = std::min(bytes.size(), half_ - head_.size());
  head_.append(bytes.data(), to_head);
  bytes.remove_prefix(to_head);
  if (bytes.size() > half_) bytes.remove_prefix(bytes.size() - half_);
  tail_.append(bytes.data(), bytes.size());
  if (tail_.size() > 2 * half_) tail_.erase(0, tail_.size() - half_);
}

std::string BoundedOutput::Text() const {
  absl::string_view tail = tail_;
  if (tail.size() > half_) tail.remove_prefix(tail.size() - half_);
  const std::int64_t left_out = total_ - static_cast<std::int64_t>(head_.size() + tail.size());
  if (left_out == 0) return Readable(absl::StrCat(head_, tail));
  return absl::StrCat(Readable(head_), "\n[", left_out, " bytes of output left out]\n",
                      Readable(tail));
}

}  // namespace plumule::analysis
