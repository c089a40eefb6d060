// UTF-8, checked and mended.
#pragma once

#include <string>

#include "absl/strings/string_view.h"

namespace plumule::analysis {

// True if `text` is well-formed UTF-8 (RFC 3629: no surrogates, nothing overlong).
bool IsUtf8(absl::string_view text);

// `text` with each byte that is no part of well-formed UTF-8, and each control character but tab
// and line feed, replaced by U+FFFD. For output of strangers that people will read.
std::string Readable(absl::string_view text);

// The longest beginning of `text`, which is UTF-8, of at most `bytes` bytes that cuts no character.
absl::string_view Utf8Prefix(absl::string_view text, size_t bytes);

}  // namespace plumule::analysis
