// Civil dates as plumule reads and writes them: ISO 8601, "2027-03-04", and no other order.
#pragma once

#include <string>

#include "absl/strings/string_view.h"
#include "absl/time/civil_time.h"
#include "absl/types/optional.h"

namespace plumule::protocol {

// The day that `text` names: exactly YYYY-MM-DD in the proleptic Gregorian calendar, years 0001 to
// 9999. Absent for anything else, days that do not exist (2027-02-30) included. Does not allocate.
absl::optional<absl::CivilDay> ParseDate(absl::string_view text);

// "2027-03-04". `day` must lie in the years 0001 to 9999.
std::string FormatDate(absl::CivilDay day);

// "4 Mar 2027", which nobody can misread. For messages.
std::string SpellDate(absl::CivilDay day);

// Why a text is not a date.
struct DateFault {
  // `date_missing`, `date_impossible` (2027-02-30), `date_order` (04/03/2027) or `not_a_date`.
  absl::string_view reason;
  // What is wrong, with the text: `"2027-02-30" is not a day: February 2027 has 28 days`.
  std::string what;
  // What to write instead; both readings where the order could be either.
  std::string remedy;
};

// Explains a `text` that ParseDate refuses. Texts are quoted up to 64 bytes.
DateFault ExplainDate(absl::string_view text);

}  // namespace plumule::protocol
