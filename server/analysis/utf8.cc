#include "server/analysis/utf8.h"

#include <algorithm>
#include <cstdint>

namespace plumule::analysis {
namespace {

// Length of the well-formed character at the start of `text`, which is not empty; 0 if there is
// none (Unicode 15, table 3-7).
size_t CharacterLength(absl::string_view text) {
  const auto byte = [&](size_t i) {
    return i < text.size() ? static_cast<std::uint8_t>(text[i]) : std::uint8_t{0};
  };
  const auto continues = [&](size_t i, std::uint8_t low = 0x80, std::uint8_t high = 0xbf) {
    return byte(i) >= low && byte(i) <= high;
  };
  const std::uint8_t first = byte(0);
  if (first < 0x80) return 1;
  if (first < 0xc2) return 0;
  if (first < 0xe0) return continues(1) ? 2 : 0;
  if (first < 0xf0) {
    const std::uint8_t low = first == 0xe0 ? 0xa0 : 0x80;
    const std::uint8_t high = first == 0xed ? 0x9f : 0xbf;
    return continues(1, low, high) && continues(2) ? 3 : 0;
  }
  if (first > 0xf4) return 0;
  const std::uint8_t low = first == 0xf0 ? 0x90 : 0x80;
  const std::uint8_t high = first == 0xf4 ? 0x8f : 0xbf;
  return continues(1, low, high) && continues(2) && continues(3) ? 4 : 0;
}

bool IsControl(char c) {
  const auto byte = static_cast<std::uint8_t>(c);
  return (byte < 0x20 && c != '\t' && c != '\n') || byte == 0x7f;
}

}  // namespace

bool IsUtf8(absl::string_view text) {
  while (!text.empty()) {
    const size_t length = CharacterLength(text);
    if (length == 0) return false;
    text.remove_prefix(length);
  }
  return true;
}

std::string Readable(absl::string_view text) {
  std::string readable;
  readable.reserve(text.size());
  while (!text.empty()) {
    const size_t length = CharacterLength(text);
    if (length == 0 || IsControl(text.front())) {
      readable += "\xef\xbf\xbd";
    } else {
      readable += std::string(text.substr(0, length));
    }
    text.remove_prefix(std::max<size_t>(length, 1));
  }
  return readable;
}

absl::string_view Utf8Prefix(absl::string_view text, size_t bytes) {
  if (text.size() <= bytes) return text;
  while (bytes > 0 && (static_cast<std::uint8_t>(text[bytes]) & 0xc0) == 0x80) --bytes;
  return text.substr(0, bytes);
}

}  // namespace plumule::analysis
