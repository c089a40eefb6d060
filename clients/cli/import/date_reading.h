#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "absl/time/civil_time.h"
#include "clients/cli/import/mapping.pb.h"

namespace plumule::cli {

// How the dates of one column are written.
struct DateForm {
  DateOrder order = DATE_ORDER_UNSPECIFIED;
  int century = 0;  // 2000; 0: two-digit years are refused
};

// Reads one cell by a stated form. Understands the separators / . - and space, English month names
// and their three-letter forms, and ISO dates whatever the order (nothing else begins with a
// four-digit year). A time of day behind the date is dropped. InvalidArgument says what does not
// fit and what to do: no such day, no day given, another order, two-digit year without a century.
absl::StatusOr<absl::CivilDay> ReadDate(absl::string_view cell, const DateForm& form);

// A cell and its row's number in the spreadsheet.
struct PlacedCell {
  int row = 0;
  std::string text;
};

// What the cells of a column say about their date order.
struct DateEvidence {
  enum class Verdict {
    kNoDates,        // fewer than half of the cells look like dates
    kSettled,        // exactly one order fits all
    kAmbiguous,      // several orders fit all
    kContradictory,  // each order is ruled out by some row
    kOtherLanguage,  // month names that are not English
  };
  Verdict verdict = Verdict::kNoDates;
  DateOrder order = DATE_ORDER_UNSPECIFIED;  // if settled
  bool two_digit_years = false;
  bool has_time = false;
  // Why, with the rows: `row 3: "25/03/2027" has 25, which is no month`. For kAmbiguous how the
  // first ambiguous cell can be read, and that no row settles it.
  std::string why;
  // Cells that are no dates at all.
  std::vector<PlacedCell> strange;
};

// Looks at all cells of a column that are not blank. Never prefers one order over another: what
// the cells do not rule out stays possible.
DateEvidence WeighDates(const std::vector<PlacedCell>& cells);

// "day_month_year" and the like, as options and messages write an order.
std::string DateOrderName(DateOrder order);
absl::StatusOr<DateOrder> ParseDateOrder(absl::string_view name);

}  // namespace plumule::cli
