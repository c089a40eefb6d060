#include "server/protocol/country.h"

#include <algorithm>
#include <iterator>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"

namespace plumule::protocol {
namespace {

struct Country {
  absl::string_view alpha_2;
  absl::string_view alpha_3;
  absl::string_view name;
};

// In the order of alpha_2.
constexpr Country kCountries[] = {
#include "tables/countries.inc"
};

}  // namespace

absl::string_view CountryName(absl::string_view code) {
  const Country* found =
      std::lower_bound(std::begin(kCountries), std::end(kCountries), code,
                       [](const Country& a, absl::string_view b) { return a.alpha_2 < b; });
  return found != std::end(kCountries) && found->alpha_2 == code ? found->name
                                                                 : absl::string_view();
}

std::string SuggestCountry(absl::string_view wrong) {
  for (const Country& country : kCountries) {
    if (absl::EqualsIgnoreCase(wrong, country.alpha_2) ||
        absl::EqualsIgnoreCase(wrong, country.alpha_3) ||
        absl::EqualsIgnoreCase(wrong, country.name)) {
      return absl::StrCat("write \"", country.alpha_2, "\" for ", country.name);
    }
  }
  if (absl::EqualsIgnoreCase(wrong, "UK")) return "write \"GB\" for United Kingdom";
  return "write the two letters of ISO 3166-1, upper case, such as \"PT\"";
}

}  // namespace plumule::protocol
