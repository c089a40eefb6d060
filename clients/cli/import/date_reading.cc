#include "clients/cli/import/date_reading.h"

#include <algorithm>
#include <array>
#include <cstddef>
#include <optional>
#include <set>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "clients/cli/table/cell.h"
#include "server/protocol/civil_date.h"

namespace plumule::cli {
namespace {

using protocol::SpellDate;

constexpr std::array<absl::string_view, 12> kMonths = {
    "january", "february", "march",     "april",   "may",      "june",
    "july",    "august",   "september", "october", "november", "december"};

// Month names of other languages, only to say so instead of "not a date".
constexpr std::array<absl::string_view, 44> kOtherMonths = {
    "janvier",   "février", "fevrier",    "mars",      "avril",     "mai",       "juin",
    "juillet",   "août",    "aout",       "septembre", "octobre",   "novembre",  "décembre",
    "januar",    "februar", "märz",       "maerz",     "juni",      "juli",      "oktober",
    "dezember",  "enero",   "febrero",    "marzo",     "abril",     "mayo",      "junio",
    "julio",     "agosto",  "septiembre", "octubre",   "noviembre", "diciembre", "janeiro",
    "fevereiro", "março",   "maio",       "junho",     "julho",     "setembro",  "outubro",
    "novembro",  "dezembro"};

int MonthByName(absl::string_view word) {
  const std::string lower = absl::AsciiStrToLower(word);
  if (lower == "sept") return 9;
  if (lower.size() < 3) return 0;
  for (size_t i = 0; i < kMonths.size(); ++i) {
    if (lower == kMonths[i] || lower == kMonths[i].substr(0, 3)) return static_cast<int>(i) + 1;
  }
  return 0;
}

bool IsOtherMonth(absl::string_view word) {
  const std::string lower = absl::AsciiStrToLower(word);
  return std::find(kOtherMonths.begin(), kOtherMonths.end(), lower) != kOtherMonths.end();
}

// A date cell taken apart: three numbers, or two and a month name.
struct Parts {
  std::vector<std::string> pieces;
  int named = -1;  // which piece is a month's name
  bool time = false;
  bool other_language = false;
};

bool IsTime(absl::string_view text) {
  int digits = 0, colons = 0;
  for (const char c : text) {
    if (absl::ascii_isdigit(static_cast<unsigned char>(c)))
      ++digits;
    else if (c == ':')
      ++colons;
    else if (c != '.' && c != 'Z' && c != ' ' && c != 'A' && c != 'P' && c != 'M' && c != 'a' &&
             c != 'p' && c != 'm')
      return false;
  }
  return colons >= 1 && digits >= 3;
}

// Cuts "… 00:00:00" or "…T00:00Z" off.
absl::string_view WithoutTime(absl::string_view cell, bool* had_time) {
  const size_t colon = cell.find(':');
  if (colon == absl::string_view::npos) return cell;
  const size_t cut = cell.find_last_of(" T", colon);
  if (cut == absl::string_view::npos || !IsTime(cell.substr(cut + 1))) return cell;
  *had_time = true;
  return absl::StripAsciiWhitespace(cell.substr(0, cut));
}

std::optional<Parts> TakeApart(absl::string_view cell) {
  Parts parts;
  cell = WithoutTime(absl::StripAsciiWhitespace(cell), &parts.time);
  std::string piece;
  const auto flush = [&] {
    if (!piece.empty()) parts.pieces.push_back(std::exchange(piece, {}));
  };
  for (const char c : cell) {
    const bool digit = absl::ascii_isdigit(static_cast<unsigned char>(c));
    const bool letter =
        absl::ascii_isalpha(static_cast<unsigned char>(c)) || static_cast<unsigned char>(c) >= 0x80;
    if (digit || letter) {
      const bool turn =
          !piece.empty() &&
          digit != static_cast<bool>(absl::ascii_isdigit(static_cast<unsigned char>(piece.back())));
      if (turn) flush();
      piece += c;
    } else if (c == '/' || c == '.' || c == '-' || c == ' ' || c == ',') {
      flush();
    } else {
      return std::nullopt;
    }
  }
  flush();
  // "1st", "2nd", "3rd", "4th": the suffix says nothing.
  std::erase_if(parts.pieces, [](const std::string& word) {
    return word == "st" || word == "nd" || word == "rd" || word == "th";
  });
  if (parts.pieces.size() != 3) return std::nullopt;
  for (size_t i = 0; i < parts.pieces.size(); ++i) {
    const std::string& word = parts.pieces[i];
    if (ParseWhole(word)) {
      if (word.size() > 4) return std::nullopt;
      continue;
    }
    if (IsOtherMonth(word)) {
      parts.other_language = true;
      return parts;
    }
    if (parts.named >= 0 || MonthByName(word) == 0) return std::nullopt;
    parts.named = static_cast<int>(i);
  }
  return parts;
}

struct Places {
  size_t year, month, day;
};

Places PlacesOf(DateOrder order) {
  switch (order) {
    case DATE_ORDER_DAY_MONTH_YEAR:
      return {2, 1, 0};
    case DATE_ORDER_MONTH_DAY_YEAR:
      return {2, 0, 1};
    default:
      return {0, 1, 2};
  }
}

int Number(const Parts& parts, size_t index) {
  if (static_cast<int>(index) == parts.named) return MonthByName(parts.pieces[index]);
  return static_cast<int>(*ParseWhole(parts.pieces[index]));
}

// Why an order does not fit a cell; nothing if it does.
std::optional<std::string> Misfit(const Parts& parts, DateOrder order) {
  const Places places = PlacesOf(order);
  const std::string& year = parts.pieces[places.year];
  if (parts.named >= 0 && static_cast<size_t>(parts.named) != places.month) {
    return absl::StrCat("its month ", parts.pieces[static_cast<size_t>(parts.named)],
                        " stands in another place");
  }
  if (year.size() != 4 && year.size() != 2) {
    return absl::StrCat(year, " is no year");
  }
  if (parts.pieces[places.day].size() > 2) {
    return absl::StrCat(parts.pieces[places.day], " is no day");
  }
  if (parts.named < 0 && parts.pieces[places.month].size() > 2) {
    return absl::StrCat(parts.pieces[places.month], " is no month");
  }
  const int month = Number(parts, places.month);
  const int day = Number(parts, places.day);
  if (month < 1 || month > 12) return absl::StrCat(month, " is no month");
  if (day < 1 || day > 31) return absl::StrCat(day, " is no day");
  const int full_year =
      year.size() == 4 ? Number(parts, places.year) : 2000 + Number(parts, places.year);
  const absl::CivilDay date(full_year, month, day);
  if (date.day() != day) {
    return absl::StrFormat("there is no %d %s %d", day,
                           std::string(kMonths[static_cast<size_t>(month - 1)]), full_year);
  }
  return std::nullopt;
}

// The day that fitting parts name.
absl::CivilDay Assemble(const Parts& parts, DateOrder order, int century) {
  const Places places = PlacesOf(order);
  int year = Number(parts, places.year);
  if (parts.pieces[places.year].size() == 2) year += century;
  return absl::CivilDay(year, Number(parts, places.month), Number(parts, places.day));
}

std::optional<absl::CivilDay> SerialDay(absl::string_view cell, DateOrder order) {
  // Days with a fraction (a time of day) are cut to the day.
  const auto number = ParseNumber(cell, '.');
  if (!number || *number < 1 || *number > 99999) return std::nullopt;
  const auto days = static_cast<int64_t>(*number);
  // 1900 is counted as a leap year by the spreadsheets' own convention, so day 61 is 1 March 1900.
  const absl::CivilDay origin =
      order == DATE_ORDER_SERIAL_1904 ? absl::CivilDay(1904, 1, 1) : absl::CivilDay(1899, 12, 30);
  return origin + days;
}

bool LooksSerial(absl::string_view cell) {
  const auto whole = ParseNumber(cell, '.');
  // 1954 to 2119: what a five-digit count of days can mean in a study of living growers.
  return whole && *whole >= 20000 && *whole <= 80500 && cell.size() >= 5 &&
         cell.find_first_of("eE-") == absl::string_view::npos;
}

bool IsIso(const Parts& parts) { return parts.pieces[0].size() == 4 && parts.named < 0; }

constexpr std::array<DateOrder, 3> kOrders = {DATE_ORDER_YEAR_MONTH_DAY, DATE_ORDER_DAY_MONTH_YEAR,
                                              DATE_ORDER_MONTH_DAY_YEAR};

// The first row that rules an order out.
struct Exclusion {
  int row = 0;
  std::string text;
  std::string why;
};

std::string Quote(const Exclusion& e) {
  return absl::StrCat("row ", e.row, ": in \"", e.text, "\" ", e.why);
}

}  // namespace

absl::StatusOr<absl::CivilDay> ReadDate(absl::string_view cell, const DateForm& form) {
  const auto no = [cell](absl::string_view why, absl::string_view remedy) {
    return absl::InvalidArgumentError(absl::StrCat("\"", cell, "\" ", why, "; ", remedy));
  };
  if (form.order == DATE_ORDER_SERIAL_1900 || form.order == DATE_ORDER_SERIAL_1904) {
    if (const auto day = SerialDay(cell, form.order)) return *day;
    return no("is not a count of days", "format the column as dates, or state another date_order");
  }
  const auto parts = TakeApart(cell);
  if (!parts && LooksSerial(cell)) {
    return no("is a spreadsheet's count of days, not a date",
              "format the column as dates, or state DATE_ORDER_SERIAL_1900");
  }
  if (!parts) return no("is not a whole date (day, month and year)", "write it like 2027-03-04");
  if (parts->other_language) {
    return no("has a month name that is not English", "write the month as a number");
  }
  if (form.order == DATE_ORDER_UNSPECIFIED && !IsIso(*parts)) {
    return no("could be read in several ways", "state the date_order in the mapping");
  }
  // With a month's name only the day and the year could be confused, and a four-digit year can't.
  DateOrder order = IsIso(*parts) ? DATE_ORDER_YEAR_MONTH_DAY : form.order;
  if (parts->named >= 0 && parts->pieces[2].size() == 4) {
    order = parts->named == 0 ? DATE_ORDER_MONTH_DAY_YEAR : DATE_ORDER_DAY_MONTH_YEAR;
  }
  if (const auto misfit = Misfit(*parts, order)) {
    return no(absl::StrCat("does not fit ", DateOrderName(order), ": ", *misfit),
              "mend the cell or the mapping's date_order");
  }
  if (parts->pieces[PlacesOf(order).year].size() == 2 && form.century == 0) {
    return no("has a year of two digits", "write all four, or state the century in the mapping");
  }
  const absl::CivilDay day = Assemble(*parts, order, form.century);
  if (day.day() != Number(*parts, PlacesOf(order).day)) {
    return no("is no day of the calendar", "mend it");
  }
  return day;
}

DateEvidence WeighDates(const std::vector<PlacedCell>& cells) {
  DateEvidence evidence;
  std::array<std::optional<Exclusion>, kOrders.size()> out;
  const PlacedCell* first_open = nullptr;
  Parts first_parts;
  size_t dates = 0, serial = 0, others = 0;
  bool all_iso = true;
  std::string foreign;
  for (const PlacedCell& cell : cells) {
    if (LooksSerial(cell.text)) {
      ++serial;
      continue;
    }
    const auto parts = TakeApart(cell.text);
    if (!parts) {
      evidence.strange.push_back(cell);
      continue;
    }
    if (parts->other_language) {
      ++others;
      if (foreign.empty()) foreign = absl::StrCat("row ", cell.row, ": \"", cell.text, "\"");
      continue;
    }
    ++dates;
    evidence.has_time |= parts->time;
    if (IsIso(*parts)) {
      // Says nothing about the order of the others; a column of nothing else is settled below.
      continue;
    }
    all_iso = false;
    size_t fits = 0;
    std::set<absl::CivilDay> readings;
    for (size_t i = 0; i < kOrders.size(); ++i) {
      const auto misfit = Misfit(*parts, kOrders[i]);
      if (misfit && !out[i]) out[i] = Exclusion{cell.row, cell.text, *misfit};
      if (misfit) continue;
      ++fits;
      readings.insert(Assemble(*parts, kOrders[i], 2000));
    }
    evidence.two_digit_years |= std::none_of(
        parts->pieces.begin(), parts->pieces.end(),
        [](const std::string& piece) { return piece.size() == 4 && ParseWhole(piece); });
    if (fits == 0) {
      evidence.strange.push_back(cell);
      // A cell that is no date in any order must not count against all of them.
      for (auto& exclusion : out) {
        if (exclusion && exclusion->row == cell.row) exclusion.reset();
      }
      --dates;
      continue;
    }
    if (readings.size() > 1 && first_open == nullptr) {
      first_open = &cell;
      first_parts = *parts;
    }
  }
  const size_t seen = dates + serial + others;
  if (seen == 0 || seen * 2 < cells.size()) return evidence;
  if (others > 0) {
    evidence.verdict = DateEvidence::Verdict::kOtherLanguage;
    evidence.why = absl::StrCat(foreign,
                                " has a month name that is not English; write months as "
                                "numbers (2027-03-04) and try again");
    return evidence;
  }
  if (serial > 0 && dates == 0) {
    const auto cell = std::find_if(cells.begin(), cells.end(),
                                   [](const PlacedCell& c) { return LooksSerial(c.text); });
    evidence.verdict = DateEvidence::Verdict::kSettled;
    evidence.order = DATE_ORDER_SERIAL_1900;
    evidence.why = absl::StrCat(
        "five-digit numbers are dates as a spreadsheet counts them: row ", cell->row, ", ",
        cell->text, ", is ", SpellDate(*SerialDay(cell->text, DATE_ORDER_SERIAL_1900)), " (or ",
        SpellDate(*SerialDay(cell->text, DATE_ORDER_SERIAL_1904)),
        " in a file that counts from 1904: compare one date with the spreadsheet)");
    return evidence;
  }
  if (serial > 0) {
    const auto cell = std::find_if(cells.begin(), cells.end(),
                                   [](const PlacedCell& c) { return LooksSerial(c.text); });
    evidence.verdict = DateEvidence::Verdict::kContradictory;
    evidence.why = absl::StrCat("row ", cell->row, " holds ", cell->text,
                                ", a spreadsheet's count of days, while others hold written dates; "
                                "format the whole column as dates and save again");
    return evidence;
  }
  std::vector<DateOrder> possible;
  for (size_t i = 0; i < kOrders.size(); ++i) {
    if (!out[i]) possible.push_back(kOrders[i]);
  }
  if (all_iso) {
    evidence.verdict = DateEvidence::Verdict::kSettled;
    evidence.order = DATE_ORDER_YEAR_MONTH_DAY;
    evidence.why = "all begin with a four-digit year";
    return evidence;
  }
  if (possible.size() > 1 && first_open == nullptr) {
    evidence.verdict = DateEvidence::Verdict::kSettled;
    evidence.order = possible[0];
    evidence.why = "every date reads the same whichever way";
    return evidence;
  }
  if (possible.size() == 1) {
    evidence.verdict = DateEvidence::Verdict::kSettled;
    evidence.order = possible[0];
    std::vector<std::string> reasons;
    for (size_t i = 1; i < kOrders.size(); ++i) {
      if (out[i] && kOrders[i] != possible[0]) reasons.push_back(Quote(*out[i]));
    }
    if (possible[0] == DATE_ORDER_YEAR_MONTH_DAY || reasons.empty()) {
      reasons.clear();
      for (const auto& exclusion : out) {
        if (exclusion) reasons.push_back(Quote(*exclusion));
      }
    }
    evidence.why = absl::StrJoin(reasons, "; ");
    return evidence;
  }
  if (possible.empty()) {
    evidence.verdict = DateEvidence::Verdict::kContradictory;
    std::vector<std::string> reasons;
    const size_t from = out[0] && out[0]->why.ends_with("no year") ? 1 : 0;
    for (size_t i = from; i < kOrders.size(); ++i) {
      reasons.push_back(absl::StrCat("not ", DateOrderName(kOrders[i]), ", ", Quote(*out[i])));
    }
    evidence.why = absl::StrCat("rows disagree (", absl::StrJoin(reasons, "; "),
                                "): mend the rows that are written the other way round");
    return evidence;
  }
  evidence.verdict = DateEvidence::Verdict::kAmbiguous;
  std::vector<std::string> readings;
  for (const DateOrder order : possible) {
    readings.push_back(SpellDate(Assemble(first_parts, order, 2000)));
  }
  evidence.why =
      absl::StrCat("\"", first_open->text, "\" in row ", first_open->row, " can be ",
                   absl::StrJoin(readings, " or "), "; no row has a number ",
                   possible[0] == DATE_ORDER_YEAR_MONTH_DAY ? "that rules one out"
                                                            : "above 12 that would settle it");
  return evidence;
}

std::string DateOrderName(DateOrder order) {
  const std::string name = DateOrder_Name(order);
  constexpr absl::string_view kPrefix = "DATE_ORDER_";
  return absl::AsciiStrToLower(absl::string_view(name).substr(kPrefix.size()));
}

absl::StatusOr<DateOrder> ParseDateOrder(absl::string_view name) {
  DateOrder order = DATE_ORDER_UNSPECIFIED;
  if (name == "iso") return DATE_ORDER_YEAR_MONTH_DAY;
  if (DateOrder_Parse(absl::StrCat("DATE_ORDER_", absl::AsciiStrToUpper(name)), &order) &&
      order != DATE_ORDER_UNSPECIFIED) {
    return order;
  }
  return absl::InvalidArgumentError(absl::StrCat(
      "date order \"", name,
      "\" is not known; say day_month_year, month_day_year, year_month_day, serial_1900 or "
      "serial_1904"));
}

}  // namespace plumule::cli
