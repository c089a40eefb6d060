// SHA-256 in lower-case hexadecimal, of bytes and of files.
#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"

namespace plumule::analysis {

// Digest of `bytes`.
std::string Sha256Hex(absl::string_view bytes);

// Digest of the file at `path`, read in pieces. NOT_FOUND, PERMISSION_DENIED or UNAVAILABLE with
// words if it can't be read.
absl::StatusOr<std::string> Sha256HexOfFile(const std::string& path);

}  // namespace plumule::analysis
