// ISO 3166-1 countries.
#pragma once

#include <string>

#include "absl/strings/string_view.h"

namespace plumule::protocol {

// English name of the country with the alpha-2 code `code`, upper case, "PT"; empty if there is no
// such country. Binary search in a table made at build time from Debian's iso-codes.
absl::string_view CountryName(absl::string_view code);

// What someone who wrote `wrong` may have meant: `write "GB"`, from lower case, an alpha-3 code or
// an English name; otherwise how codes look.
std::string SuggestCountry(absl::string_view wrong);

}  // namespace plumule::protocol
