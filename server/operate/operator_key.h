// Hands the operator's key over, once.
#pragma once

#include <ostream>
#include <string>

#include "absl/status/status.h"
#include "absl/strings/string_view.h"

namespace plumule::operate {

// Writes the key and a newline to a new file that only its owner can read (mode 0600), and makes
// sure that it is on disk. ALREADY_EXISTS (`key_file_exists`): nothing is overwritten. UNAVAILABLE
// (`key_file_not_written`) with words.
absl::Status WriteOperatorKey(const std::string& path, absl::string_view key);

// Prints the key in a block that can't be overlooked.
void ShowOperatorKey(std::ostream& out, absl::string_view key);

}  // namespace plumule::operate
