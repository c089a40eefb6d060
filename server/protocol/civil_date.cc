#include "server/protocol/civil_date.h"

#include <array>
#include <vector>

#include "absl/strings/ascii.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_split.h"
#include "server/protocol/spelling.h"

namespace plumule::protocol {
namespace {

constexpr std::array<absl::string_view, 12> kMonths = {
    "January", "February", "March",     "April",   "May",      "June",
    "July",    "August",   "September", "October", "November", "December"};

// The number that `digits` spells, or -1 if it holds anything but digits.
int Number(absl::string_view digits) {
  int number = 0;
  for (const char c : digits) {
    if (!absl::ascii_isdigit(static_cast<unsigned char>(c))) return -1;
    number = number * 10 + (c - '0');
  }
  return number;
}

struct YearMonthDay {
  int year, month, day;
};

// YYYY-MM-DD by shape alone.
absl::optional<YearMonthDay> IsoShape(absl::string_view text) {
  if (text.size() != 10 || text[4] != '-' || text[7] != '-') return absl::nullopt;
  const YearMonthDay parts{Number(text.substr(0, 4)), Number(text.substr(5, 2)),
                           Number(text.substr(8, 2))};
  if (parts.year < 0 || parts.month < 0 || parts.day < 0) return absl::nullopt;
  return parts;
}

absl::optional<absl::CivilDay> Existing(const YearMonthDay& parts) {
  const absl::CivilDay day(parts.year, parts.month, parts.day);
  // CivilDay normalizes the 30th of February to the 2nd of March: then the day did not exist.
  if (parts.year < 1 || day.year() != parts.year || day.month() != parts.month ||
      day.day() != parts.day) {
    return absl::nullopt;
  }
  return day;
}

int DaysInMonth(int year, int month) {
  return static_cast<int>(absl::CivilDay(absl::CivilMonth(year, month) + 1) -
                          absl::CivilDay(absl::CivilMonth(year, month)));
}

DateFault Impossible(const YearMonthDay& parts, const std::string& quoted) {
  DateFault fault{"date_impossible", "", "write a day that exists, as year-month-day"};
  if (parts.year < 1) {
    fault.what = absl::StrCat(quoted, " is not a day: years run from 0001");
  } else if (parts.month < 1 || parts.month > 12) {
    fault.what = absl::StrCat(quoted, " is not a day: months run from 01 to 12");
    if (parts.month <= 31 && parts.day >= 1 && parts.day <= 12) {
      const auto swapped = Existing({parts.year, parts.day, parts.month});
      if (swapped) {
        fault.remedy = absl::StrCat("the month comes before the day: write ", FormatDate(*swapped),
                                    " if you mean ", SpellDate(*swapped));
      }
    }
  } else {
    fault.what = absl::StrFormat("%s is not a day: %s %d has %d days", quoted,
                                 kMonths[static_cast<size_t>(parts.month - 1)], parts.year,
                                 DaysInMonth(parts.year, parts.month));
  }
  return fault;
}

// Days that three numbers may mean when their order is not year-month-day with hyphens.
std::vector<absl::CivilDay> OtherReadings(absl::string_view text) {
  const std::vector<absl::string_view> parts = absl::StrSplit(text, absl::ByAnyChar("/.- "));
  std::vector<absl::CivilDay> readings;
  if (parts.size() != 3) return readings;
  std::array<int, 3> number{};
  for (size_t i = 0; i < 3; ++i) {
    if (parts[i].empty() || parts[i].size() > 4) return readings;
    number[i] = Number(parts[i]);
    if (number[i] < 0) return readings;
  }
  const auto add = [&readings](int year, int month, int day) {
    const absl::optional<absl::CivilDay> reading = Existing({year, month, day});
    if (reading && (readings.empty() || readings.back() != *reading)) readings.push_back(*reading);
  };
  if (parts[0].size() == 4) {
    add(number[0], number[1], number[2]);
    add(number[0], number[2], number[1]);
  } else {
    const int year = parts[2].size() <= 2 ? 2000 + number[2] : number[2];
    add(year, number[0], number[1]);
    add(year, number[1], number[0]);
  }
  return readings;
}

}  // namespace

absl::optional<absl::CivilDay> ParseDate(absl::string_view text) {
  const absl::optional<YearMonthDay> parts = IsoShape(text);
  return parts ? Existing(*parts) : absl::nullopt;
}

std::string FormatDate(absl::CivilDay day) {
  return absl::StrFormat("%04d-%02d-%02d", day.year(), day.month(), day.day());
}

std::string SpellDate(absl::CivilDay day) {
  return absl::StrFormat("%d %s %d", day.day(),
                         kMonths[static_cast<size_t>(day.month() - 1)].substr(0, 3), day.year());
}

DateFault ExplainDate(absl::string_view text) {
  if (text.empty()) return {"date_missing", "there is no date", "write it as 2027-03-04"};
  const std::string quoted = Quote(text);
  if (const absl::optional<YearMonthDay> parts = IsoShape(text)) return Impossible(*parts, quoted);
  const std::vector<absl::CivilDay> readings = OtherReadings(text);
  if (readings.size() == 2) {
    return {"date_order", absl::StrCat(quoted, " can be read as two days"),
            absl::StrCat("write ", FormatDate(readings[0]), " or ", FormatDate(readings[1]),
                         ", whichever you mean")};
  }
  if (readings.size() == 1) {
    return {
        "date_order", absl::StrCat(quoted, " is not written year-month-day"),
        absl::StrCat("write ", FormatDate(readings[0]), " if you mean ", SpellDate(readings[0]))};
  }
  return {"not_a_date", absl::StrCat(quoted, " is not a date"),
          "write it as year-month-day, such as 2027-03-04"};
}

}  // namespace plumule::protocol
