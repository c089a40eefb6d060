#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"

namespace plumule::cli {

// Text as UTF-8, and how it was read.
struct DecodedText {
  std::string text;      // valid UTF-8 without byte order mark or NUL
  std::string encoding;  // "UTF-8", "UTF-16 (little endian)", "Windows-1252"
  std::string why;       // how that was found out, for people
};

// Decodes a file that a spreadsheet wrote. `encoding` is "auto", "utf-8", "utf-16" or
// "windows-1252"; auto goes by the byte order mark, then takes what is valid UTF-8 as that, and all
// else as Windows-1252. InvalidArgument names the line of what can't be text (NUL, a byte that the
// encoding lacks) and says how to save the file again.
absl::StatusOr<DecodedText> DecodeText(absl::string_view bytes,
                                       absl::string_view encoding = "auto");

// Whether `text` is valid UTF-8 (no surrogates, no overlong forms).
bool IsUtf8(absl::string_view text);

}  // namespace plumule::cli
