#pragma once

#include <cstddef>
#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"

namespace plumule::cli {

// The whole of a file. NotFound if it can't be opened, InvalidArgument above `max_bytes`; both name
// the path.
absl::StatusOr<std::string> ReadFile(const std::string& path, size_t max_bytes = size_t{64} << 20);

// Writes a file whole or not at all (a temporary file beside it, then renamed).
absl::Status WriteFile(const std::string& path, absl::string_view bytes);

// Writes a new file that only its owner may read (0600). AlreadyExists rather than replacing one:
// a secret is shown once.
absl::Status WriteSecretFile(const std::string& path, absl::string_view bytes);

}  // namespace plumule::cli
