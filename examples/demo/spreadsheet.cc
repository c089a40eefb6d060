#include "examples/demo/spreadsheet.h"

#include <cmath>
#include <iterator>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_replace.h"

namespace plumule::demo {
namespace {

constexpr const char* kPlaces[] = {"windowsill", "under a lamp", "outdoors"};
constexpr const char* kMixes[] = {"compost, perlite",  "coir",          "compost",
                                  "garden soil, sand", "bark, compost", "coir, vermiculite"};

std::string DayMonthYear(absl::CivilDay day) {
  return absl::StrFormat("%02d/%02d/%d", day.day(), day.month(), day.year());
}

// The five cells of one unit.
std::vector<std::string> UnitCells(const Grower& grower, const Unit& unit) {
  std::vector<std::string> cells(5);
  cells[0] = DayMonthYear(unit.start);
  const bool reached = !unit.looks.empty() && static_cast<double>(unit.looks.back() - unit.start) >=
                                                  unit.days_to_threshold;
  if (reached) {
    cells[1] = DayMonthYear(unit.looks.back());
    if (unit.looks.size() > 1) cells[2] = DayMonthYear(unit.looks[unit.looks.size() - 2]);
    return cells;
  }
  if (!unit.looks.empty()) cells[2] = DayMonthYear(unit.looks.back());
  if (unit.rotted_on) {
    cells[3] = DayMonthYear(*unit.rotted_on);
    cells[4] = "rotted";
  } else if (grower.stopped_on) {
    cells[3] = DayMonthYear(*grower.stopped_on);
    cells[4] = "gave up";
  }
  return cells;
}

}  // namespace

std::string WriteSpreadsheet(const std::vector<Grower>& growers, std::mt19937_64& random) {
  // 0xB0 is the degree sign in Windows-1252.
  std::string text =
      "Grower;Joined on;Country;Place;Mix;Temperature \xB0"
      "C;Husk on sown;Husk on 5 cm on;"
      "Husk on last seen without;Husk on lost on;Husk on lost by;Husk off sown;Husk off 5 cm on;"
      "Husk off last seen without;Husk off lost on;Husk off lost by\r\n";
  for (const Grower& grower : growers) {
    const double celsius = 18 + std::round(Uniform(random) * 20) / 2;
    std::vector<std::string> cells = {
        grower.id,
        DayMonthYear(grower.units[0].start - 2),
        grower.country,
        kPlaces[Pick(random, std::size(kPlaces))],
        kMixes[Pick(random, std::size(kMixes))],
        absl::StrReplaceAll(absl::StrFormat("%.1f", celsius), {{".", ","}})};
    for (const Unit& unit : grower.units) {
      for (std::string& cell : UnitCells(grower, unit)) cells.push_back(std::move(cell));
    }
    const double slip = Uniform(random);
    if (slip < 0.05) {
      cells[5] = absl::StrFormat("%.0f", celsius * 1.8 + 32);  // Fahrenheit in a Celsius column
    } else if (slip < 0.09 && !cells[7].empty()) {
      std::swap(cells[6], cells[7]);  // reached before it was sown
    } else if (slip < 0.13) {
      cells[4] = "perlite";  // no organic part
    }
    const std::string line = absl::StrCat(absl::StrJoin(cells, ";"), "\r\n");
    absl::StrAppend(&text, line);
    if (slip > 0.97) absl::StrAppend(&text, line);  // the same row twice
  }
  return text;
}

}  // namespace plumule::demo
