#include <algorithm>
#include <cstdint>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plugins/sdk/block_figure.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

// Days without the threshold up to the horizon, summed over the units of one arm in one block.
struct Cell {
  double days = 0;
  std::int32_t units = 0;
  bool cut_short = false;  // some unit was last seen without it before the horizon
};

// By block, each arm beside the control.
std::vector<Cell> SumDays(const Question& question, int arm) {
  std::vector<Cell> cells(question.analyzed.block_names.size());
  for (std::size_t unit = 0; unit < question.analyzed.units(); ++unit) {
    if (question.analyzed.arm[unit] != arm) continue;
    Cell& cell = cells[static_cast<std::size_t>(question.analyzed.block[unit])];
    const double day = question.analyzed.Day(unit);
    const bool reached = question.analyzed.status[unit] == sdk::UnitStatus::kReached;
    cell.days += std::min(day, question.horizon);
    cell.cut_short = cell.cut_short || (!reached && day < question.horizon);
    ++cell.units;
  }
  return cells;
}

}  // namespace

void AddWithinBlockFigure(const Question& question, sdk::ResultBuilder& builder) {
  const std::vector<Cell> control = SumDays(question, question.control());
  std::vector<sdk::BlockDifferences> arms;
  std::int64_t shown = 0;
  std::int64_t cut_short = 0;
  for (const int arm : question.treatments) {
    const std::vector<Cell> treated = SumDays(question, arm);
    sdk::BlockDifferences differences = {.label = question.arm(arm).label, .position = arm};
    for (std::size_t block = 0; block < control.size(); ++block) {
      if (control[block].units == 0 || treated[block].units == 0) continue;
      if (control[block].cut_short || treated[block].cut_short) {
        ++cut_short;
        continue;
      }
      differences.differences.push_back(treated[block].days / treated[block].units -
                                        control[block].days / control[block].units);
    }
    shown += static_cast<std::int64_t>(differences.differences.size());
    arms.push_back(std::move(differences));
  }
  if (shown == 0) return;
  builder.Add(sdk::BlockDifferenceFigure(
      "within_blocks", "The difference in each block",
      absl::StrCat(
          "Each block counts once, with the mean days of its ", question.noun.plural, " up to day ",
          sdk::Short(question.horizon, 1), " against ", question.Quoted(question.control()), "; ",
          question.noun.plural, " that never made it count with all those days. ",
          cut_short == 0 ? std::string()
                         : absl::StrCat("Not shown: ", sdk::Counted(cut_short, "pair", "pairs"),
                                        " in which some ", question.noun.singular,
                                        " was lost or last seen before that day; the estimates "
                                        "count them.")),
      arms,
      absl::StrCat("Days sooner (below 0) or later (above 0) than ",
                   question.Quoted(question.control()))));
}

}  // namespace plumule::time_to_threshold
