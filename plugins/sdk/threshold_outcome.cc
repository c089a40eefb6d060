#include "plugins/sdk/threshold_outcome.h"

#include <algorithm>
#include <numeric>
#include <optional>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "plugins/sdk/words.h"

namespace plumule::sdk {
namespace {

constexpr std::size_t kMaxProblemLines = 20;
constexpr int kMaxArms = 64;

// The columns of a unit table that an outcome is read from.
struct OutcomeColumns {
  const Column* block = nullptr;
  const Column* unit = nullptr;  // may be null
  const Column* arm = nullptr;
  const Column* in_primary = nullptr;  // may be null
  const Column* lower = nullptr;
  const Column* upper = nullptr;
  const Column* status = nullptr;
};

class Problems {
 public:
  void Add(std::string line) {
    if (lines_.size() < kMaxProblemLines) lines_.push_back(std::move(line));
    ++count_;
  }
  absl::Status ToStatus() const {
    if (count_ == 0) return absl::OkStatus();
    std::string text = absl::StrJoin(lines_, "\n");
    if (count_ > lines_.size()) absl::StrAppend(&text, "\nand ", count_ - lines_.size(), " more");
    return absl::InvalidArgumentError(text);
  }

 private:
  std::vector<std::string> lines_;
  std::size_t count_ = 0;
};

absl::StatusOr<std::string> ChooseThreshold(const AnalysisInput& input) {
  const std::string& named = input.setup.analysis().threshold();
  if (!named.empty()) return named;
  const auto thresholds = input.units.thresholds();
  if (thresholds.size() == 1) return thresholds.front();
  return absl::InvalidArgumentError(
      absl::StrCat("the analysis names no threshold, and the table has ", thresholds.size()));
}

absl::StatusOr<OutcomeColumns> FindColumns(const UnitTable& table, const std::string& threshold) {
  OutcomeColumns columns;
  Problems problems;
  const auto find = [&](const std::string& name, analysis::v1::ColumnType type,
                        const Column*& place) {
    auto found = table.Typed(name, type);
    if (found.ok()) {
      place = *found;
    } else {
      problems.Add(std::string(found.status().message()));
    }
  };
  find("block", analysis::v1::COLUMN_TYPE_CODE, columns.block);
  find("arm", analysis::v1::COLUMN_TYPE_CODE, columns.arm);
  find(threshold + "_lower", analysis::v1::COLUMN_TYPE_NUMBER, columns.lower);
  find(threshold + "_upper", analysis::v1::COLUMN_TYPE_NUMBER, columns.upper);
  find(threshold + "_status", analysis::v1::COLUMN_TYPE_CODE, columns.status);
  if (table.Find("in_primary") != nullptr) {
    find("in_primary", analysis::v1::COLUMN_TYPE_YES_NO, columns.in_primary);
  }
  columns.unit = table.Find("unit");
  if (auto status = problems.ToStatus(); !status.ok()) return status;
  return columns;
}

absl::Status ReadArms(const study::v1::Protocol& protocol, ThresholdOutcome& outcome) {
  std::optional<int> control;
  if (protocol.arms_size() > kMaxArms) {
    return absl::InvalidArgumentError(absl::StrCat(
        "there are ", protocol.arms_size(), " arms; at most ", kMaxArms, " can be compared"));
  }
  for (const auto& arm : protocol.arms()) {
    const bool is_control = arm.role() == study::v1::ARM_ROLE_CONTROL;
    if (is_control && control) return absl::InvalidArgumentError("two arms are the control");
    if (is_control) control = static_cast<int>(outcome.arms.size());
    outcome.arms.push_back({arm.id(), LabelOr(arm.label(), arm.id()), is_control});
  }
  if (!control) return absl::InvalidArgumentError("no arm is the control; say which one is");
  outcome.control = *control;
  outcome.left_out.resize(outcome.arms.size());
  return absl::OkStatus();
}

// Position of each dictionary entry in the bytewise order of all entries.
std::vector<std::int32_t> RankBlocks(const std::vector<std::string>& dictionary,
                                     std::vector<std::string>& names) {
  std::vector<std::int32_t> order(dictionary.size());
  std::iota(order.begin(), order.end(), 0);
  std::sort(order.begin(), order.end(), [&](std::int32_t a, std::int32_t b) {
    return dictionary[static_cast<std::size_t>(a)] < dictionary[static_cast<std::size_t>(b)];
  });
  std::vector<std::int32_t> rank(dictionary.size());
  names.reserve(dictionary.size());
  for (const std::int32_t entry : order) {
    rank[static_cast<std::size_t>(entry)] = static_cast<std::int32_t>(names.size());
    names.push_back(dictionary[static_cast<std::size_t>(entry)]);
  }
  return rank;
}

// Position of each dictionary entry among the arms, −1 where the protocol lacks it.
std::vector<std::int32_t> MatchArms(const std::vector<std::string>& dictionary,
                                    const std::vector<Arm>& arms, Problems& problems) {
  std::vector<std::int32_t> positions;
  for (const std::string& entry : dictionary) {
    const auto found =
        std::find_if(arms.begin(), arms.end(), [&](const Arm& arm) { return arm.id == entry; });
    if (found == arms.end()) {
      problems.Add(absl::StrCat("column `arm`: the protocol has no arm \"", entry, "\""));
    }
    positions.push_back(found == arms.end() ? -1 : static_cast<std::int32_t>(found - arms.begin()));
  }
  return positions;
}

std::vector<std::optional<UnitStatus>> MatchStatuses(const std::vector<std::string>& dictionary,
                                                     const std::string& threshold,
                                                     Problems& problems) {
  std::vector<std::optional<UnitStatus>> statuses;
  for (const std::string& entry : dictionary) {
    std::optional<UnitStatus> status;
    if (entry == "reached") status = UnitStatus::kReached;
    if (entry == "not_reached") status = UnitStatus::kNotReached;
    if (entry == "lost_biological") status = UnitStatus::kLostBiological;
    if (entry == "lost_incidental") status = UnitStatus::kLostIncidental;
    if (!status) {
      problems.Add(absl::StrCat("column `", threshold, "_status`: \"", entry,
                                "\" is none of reached, not_reached, lost_biological, "
                                "lost_incidental"));
    }
    statuses.push_back(status);
  }
  return statuses;
}

// What a row contradicts itself in; empty if it doesn't.
absl::string_view Contradiction(const OutcomeColumns& columns, std::size_t row, UnitStatus status) {
  if (columns.lower->present[row] == 0) return "the lower day is missing";
  if (columns.lower->numbers[row] < 0) return "the lower day is negative";
  const bool has_upper = columns.upper->present[row] != 0;
  if (status == UnitStatus::kReached && !has_upper) return "reached, but the upper day is missing";
  if (status != UnitStatus::kReached && has_upper) return "not reached, but there is an upper day";
  if (has_upper && columns.upper->numbers[row] < columns.lower->numbers[row]) {
    return "the upper day is before the lower day";
  }
  return "";
}

// "block b3, unit 2": names rather than a row number, which the sender may not know.
std::string NameRow(const OutcomeColumns& columns, std::size_t row) {
  const auto code = [row](const Column& column) -> std::string {
    if (column.schema.type() != analysis::v1::COLUMN_TYPE_CODE || column.present[row] == 0) {
      return "?";
    }
    return column.dictionary[static_cast<std::size_t>(column.codes[row])];
  };
  std::string name = absl::StrCat("row ", row + 1, " (block ", code(*columns.block));
  if (columns.unit != nullptr) absl::StrAppend(&name, ", unit ", code(*columns.unit));
  return name + ")";
}

void Reserve(ThresholdOutcome& outcome, std::size_t units) {
  outcome.arm.reserve(units);
  outcome.block.reserve(units);
  outcome.lower.reserve(units);
  outcome.upper.reserve(units);
  outcome.status.reserve(units);
  outcome.in_primary.reserve(units);
  outcome.row.reserve(units);
}

}  // namespace

absl::StatusOr<ThresholdOutcome> ReadThresholdOutcome(const AnalysisInput& input) {
  ThresholdOutcome outcome;
  auto threshold = ChooseThreshold(input);
  if (!threshold.ok()) return threshold.status();
  outcome.threshold = *std::move(threshold);
  if (auto status = ReadArms(input.setup.protocol(), outcome); !status.ok()) return status;
  auto found = FindColumns(input.units, outcome.threshold);
  if (!found.ok()) return found.status();
  const OutcomeColumns columns = *found;

  Problems problems;
  const auto blocks = RankBlocks(columns.block->dictionary, outcome.block_names);
  const auto arms = MatchArms(columns.arm->dictionary, outcome.arms, problems);
  const auto statuses = MatchStatuses(columns.status->dictionary, outcome.threshold, problems);
  const auto rows = static_cast<std::size_t>(input.units.rows());
  Reserve(outcome, rows);
  for (std::size_t row = 0; row < rows; ++row) {
    if (columns.block->present[row] == 0 || columns.arm->present[row] == 0) {
      problems.Add(NameRow(columns, row) + ": block or arm is missing");
      continue;
    }
    const std::int32_t arm = arms[static_cast<std::size_t>(columns.arm->codes[row])];
    if (arm < 0) continue;
    const std::int32_t block = blocks[static_cast<std::size_t>(columns.block->codes[row])];
    if (columns.status->present[row] == 0) {
      outcome.left_out[static_cast<std::size_t>(arm)].push_back(block);
      continue;
    }
    const auto status = statuses[static_cast<std::size_t>(columns.status->codes[row])];
    if (!status) continue;
    if (const auto contradiction = Contradiction(columns, row, *status); !contradiction.empty()) {
      problems.Add(absl::StrCat(NameRow(columns, row), ": ", contradiction));
      continue;
    }
    const double lower = columns.lower->numbers[row];
    outcome.arm.push_back(arm);
    outcome.block.push_back(block);
    outcome.lower.push_back(lower);
    outcome.upper.push_back(*status == UnitStatus::kReached ? columns.upper->numbers[row] : lower);
    outcome.status.push_back(*status);
    outcome.in_primary.push_back(columns.in_primary == nullptr ||
                                 columns.in_primary->present[row] == 0 ||
                                 columns.in_primary->flags[row] != 0);
    outcome.row.push_back(static_cast<std::int32_t>(row));
  }
  if (auto status = problems.ToStatus(); !status.ok()) return status;
  return outcome;
}

ThresholdOutcome Subset(const ThresholdOutcome& outcome, const std::vector<std::uint8_t>& keep) {
  ThresholdOutcome kept;
  kept.threshold = outcome.threshold;
  kept.arms = outcome.arms;
  kept.control = outcome.control;
  kept.block_names = outcome.block_names;
  kept.left_out.resize(outcome.arms.size());
  for (std::size_t unit = 0; unit < outcome.units(); ++unit) {
    if (keep[unit] == 0) continue;
    kept.arm.push_back(outcome.arm[unit]);
    kept.block.push_back(outcome.block[unit]);
    kept.lower.push_back(outcome.lower[unit]);
    kept.upper.push_back(outcome.upper[unit]);
    kept.status.push_back(outcome.status[unit]);
    kept.in_primary.push_back(outcome.in_primary[unit]);
    kept.row.push_back(outcome.row[unit]);
  }
  return kept;
}

}  // namespace plumule::sdk
