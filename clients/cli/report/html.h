#pragma once

#include <string>

#include "absl/strings/string_view.h"

namespace plumule::cli {

// Text as it may stand in HTML, in attribute values too: & < > " ' are written as references and
// control characters other than line breaks are dropped.
std::string Escaped(absl::string_view text);

// Escaped text in <p>, one for each paragraph (separated by an empty line).
std::string Paragraphs(absl::string_view text);

// JSON as it may stand inside <script>: nothing in it can end the element or open a comment.
std::string ScriptJson(absl::string_view json);

}  // namespace plumule::cli
