// Pages of lists: sizes, and tokens that say where the next page begins.
#pragma once

#include <cstdint>
#include <string>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"

namespace plumule::rpc {

// What of a list is wanted.
struct Page {
  // 1 to 1000.
  int size = 0;
  // Where the previous page ended, as the domain gave it to NextToken; empty for the first page.
  std::string after;
};

// Reads `page_size` and `page_token` of a request. `list` names the method and `parent` what is
// listed: a token works for the same list of the same parent only. INVALID_ARGUMENT:
// `page_size_not_valid` if negative, `page_token_not_valid` for any token that this list did not
// give out.
absl::StatusOr<Page> ReadPage(absl::string_view list, absl::string_view parent,
                              std::int32_t page_size, absl::string_view page_token);

// The token of the page after `position`, printable and opaque; empty for an empty one, since that
// is how the domain says that there are no more.
std::string NextToken(absl::string_view list, absl::string_view parent, absl::string_view position);

}  // namespace plumule::rpc
