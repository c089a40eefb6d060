#include "clients/cli/local/unit_file.h"

#include <algorithm>
#include <array>
#include <cstddef>
#include <map>
#include <set>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/string_view.h"
#include "clients/cli/local/variable_columns.h"
#include "clients/cli/table/cell.h"

namespace plumule::cli {
namespace {

using analysis::Cell;
using analysis::v1::COLUMN_TYPE_CODE;
using analysis::v1::COLUMN_TYPE_NUMBER;
using analysis::v1::COLUMN_TYPE_YES_NO;

constexpr std::array<absl::string_view, 4> kStatuses = {"reached", "not_reached", "lost_biological",
                                                        "lost_incidental"};
constexpr std::array<absl::string_view, 3> kSuffixes = {"_lower", "_upper", "_status"};

struct ThresholdColumns {
  std::string id;
  int lower = 0, upper = 0, status = 0;
};

const std::string& At(const TableRow& row, int column) {
  return row.cells[static_cast<size_t>(column)];
}

// Ids by name of heading, in the file's order.
std::vector<std::string> ThresholdIds(const Table& table) {
  std::vector<std::string> ids;
  for (const std::string& heading : table.columns) {
    for (const absl::string_view suffix : kSuffixes) {
      if (!absl::EndsWith(heading, suffix)) continue;
      const std::string id = heading.substr(0, heading.size() - suffix.size());
      if (!id.empty() && std::find(ids.begin(), ids.end(), id) == ids.end()) ids.push_back(id);
    }
  }
  return ids;
}

class UnitReader {
 public:
  UnitReader(const Table& table, const UnitFileOptions& options, ProblemList* problems)
      : table_(table), options_(options), problems_(*problems) {}

  std::optional<UnitFile> Run() {
    const std::set<int> torn = problems_.AddAll(table_);
    const size_t before = problems_.total();
    FindColumns();
    if (problems_.total() > before || torn.contains(table_.heading_row)) return std::nullopt;
    for (const TableRow& row : table_.rows) {
      if (!torn.contains(row.number)) CheckRow(row);
    }
    if (table_.rows.empty()) {
      problems_.Add("the table has no rows below its headings; add one row a unit");
    }
    ChooseControl();
    if (!problems_.empty()) return std::nullopt;
    MakeProtocol();
    BuildTable();
    return std::move(file_);
  }

 private:
  void Fault(const TableRow& row, int column, std::string message) {
    problems_.Add(table_, row.number, table_.columns[static_cast<size_t>(column)],
                  std::move(message));
  }

  int Need(absl::string_view heading) {
    const auto index = table_.Find(heading);
    if (!index) {
      problems_.Add(
          absl::StrCat("row ", table_.heading_row, ": column \"", heading,
                       "\" is missing; the headings are: ", absl::StrJoin(table_.columns, ", ")));
    }
    return index.value_or(0);
  }

  void FindColumns() {
    block_ = Need("block");
    unit_ = Need("unit");
    arm_ = Need("arm");
    dose_ = table_.Find("dose");
    in_primary_ = table_.Find("in_primary");
    for (const std::string& id : ThresholdIds(table_)) {
      ThresholdColumns columns{.id = id};
      columns.lower = Need(absl::StrCat(id, "_lower"));
      columns.upper = Need(absl::StrCat(id, "_upper"));
      columns.status = Need(absl::StrCat(id, "_status"));
      if (!IsProtocolId(id)) {
        problems_.Add(
            absl::StrCat("row ", table_.heading_row, ": threshold \"", id,
                         "\" is no id; use lower-case letters, digits and single underscores"));
      }
      thresholds_.push_back(columns);
    }
    std::set<int> taken = {block_, unit_, arm_};
    if (dose_) taken.insert(*dose_);
    if (in_primary_) taken.insert(*in_primary_);
    for (const ThresholdColumns& t : thresholds_) taken.insert({t.lower, t.upper, t.status});
    for (int i = 0; i < static_cast<int>(table_.columns.size()); ++i) {
      if (!taken.contains(i)) AddVariable(i);
    }
  }

  void AddVariable(int index) {
    const std::string& heading = table_.columns[static_cast<size_t>(index)];
    if (!IsProtocolId(heading) || heading == "grower" || heading == "study") {
      file_.notes.push_back(absl::StrCat(
          "column ", ColumnLetters(index), " (\"", heading, "\") is left out: ",
          IsProtocolId(heading) ? "the name is reserved"
                                : "as a variable it would need a name of lower-case letters, "
                                  "digits and underscores"));
      return;
    }
    variables_.push_back(InferVariable(table_, index, options_.decimal_mark));
  }

  std::optional<double> Number(const TableRow& row, int column, absl::string_view what) {
    const std::string& text = At(row, column);
    const auto number = ParseNumber(text, options_.decimal_mark);
    if (!number) {
      const bool other = ParseNumber(text, options_.decimal_mark == '.' ? ',' : '.').has_value();
      Fault(row, column,
            other ? absl::StrCat("\"", text,
                                 "\" is written with another decimal mark; state it "
                                 "with --decimal comma or --decimal point")
                  : absl::StrCat("\"", text, "\" is not a number; give ", what));
      return std::nullopt;
    }
    if (*number < 0) {
      Fault(row, column, absl::StrCat(text, " is below 0; give ", what));
      return std::nullopt;
    }
    return number;
  }

  void CheckRow(const TableRow& row) {
    for (const int column : {block_, unit_, arm_}) {
      if (At(row, column).empty()) Fault(row, column, "is empty; every unit needs one");
    }
    CheckKey(row);
    const std::string& arm = At(row, arm_);
    if (!arm.empty() && arm_rows_.emplace(arm, row.number).second) arms_.push_back(arm);
    if (dose_) CheckDose(row, arm);
    if (in_primary_) {
      const std::string& text = At(row, *in_primary_);
      if (!absl::EqualsIgnoreCase(text, "yes") && !absl::EqualsIgnoreCase(text, "no") &&
          !absl::EqualsIgnoreCase(text, "true") && !absl::EqualsIgnoreCase(text, "false")) {
        Fault(row, *in_primary_, absl::StrCat("\"", text, "\" is neither yes nor no"));
      }
    }
    for (const ThresholdColumns& columns : thresholds_) CheckThreshold(row, columns);
  }

  void CheckKey(const TableRow& row) {
    const auto key = std::make_pair(At(row, block_), At(row, unit_));
    if (key.first.empty() || key.second.empty()) return;
    const auto [known, is_new] = seen_.emplace(key, row.number);
    if (!is_new) {
      Fault(row, unit_,
            absl::StrCat("unit \"", key.second, "\" of block \"", key.first, "\" is in row ",
                         known->second, " already; each unit has one row"));
    }
  }

  void CheckDose(const TableRow& row, const std::string& arm) {
    if (At(row, *dose_).empty()) {
      Fault(row, *dose_, "is empty; give the arm's strength, 0 for none");
      return;
    }
    const auto dose = Number(row, *dose_, "the arm's strength, 0 or more");
    if (!dose || arm.empty()) return;
    const auto [known, is_new] = doses_.emplace(arm, std::make_pair(*dose, row.number));
    if (!is_new && known->second.first != *dose) {
      Fault(row, *dose_,
            absl::StrCat(At(row, *dose_), " is not the dose of arm \"", arm, "\" in row ",
                         known->second.second, "; an arm has one dose"));
    }
  }

  void CheckThreshold(const TableRow& row, const ThresholdColumns& columns) {
    const std::string& status = At(row, columns.status);
    const bool known = std::find(kStatuses.begin(), kStatuses.end(), status) != kStatuses.end();
    if (!known) {
      Fault(
          row, columns.status,
          absl::StrCat(status.empty() ? "is empty" : absl::StrCat("\"", status, "\" is not known"),
                       "; write reached, not_reached, lost_biological or lost_incidental"));
    }
    std::optional<double> lower;
    if (At(row, columns.lower).empty()) {
      Fault(row, columns.lower,
            "is empty; give the days to the last look at which it was not reached (0: the start)");
    } else {
      lower = Number(row, columns.lower, "days from the unit's start, 0 or more");
    }
    const bool has_upper = !At(row, columns.upper).empty();
    const bool contradicts = known && has_upper != (status == "reached");
    if (contradicts) {
      Fault(row, columns.upper,
            has_upper
                ? absl::StrCat(At(row, columns.upper), " contradicts the status ", status,
                               "; leave it empty, or write reached")
                : std::string("is empty but the status is reached; give the days to the first "
                              "look at which it was reached"));
    }
    if (!has_upper || contradicts) return;
    const auto upper = Number(row, columns.upper, "days from the unit's start, or leave it empty");
    if (upper && lower && *upper < *lower) {
      Fault(row, columns.upper,
            absl::StrCat(At(row, columns.upper), " is below the lower day ", At(row, columns.lower),
                         "; swap or mend them"));
    }
  }

  void ChooseControl() {
    if (arms_.empty()) return;
    control_ = options_.control.empty() ? "control" : options_.control;
    if (std::find(arms_.begin(), arms_.end(), control_) == arms_.end()) {
      problems_.Add(absl::StrCat(options_.control.empty()
                                     ? std::string("no arm is named control")
                                     : absl::StrCat("no arm is named \"", control_, "\""),
                                 "; choose one with --control: ", absl::StrJoin(arms_, ", ")));
    }
    if (arms_.size() == 1) {
      problems_.Add(absl::StrCat("there is only one arm, \"", arms_[0],
                                 "\"; a comparison needs two or more"));
    }
  }

  void MakeProtocol() {
    study::v1::Protocol& protocol = file_.protocol;
    protocol.set_language("en");
    // The control first, then by first appearance.
    std::stable_partition(arms_.begin(), arms_.end(),
                          [this](const std::string& arm) { return arm == control_; });
    for (const std::string& id : arms_) {
      auto* arm = protocol.add_arms();
      arm->set_id(id);
      arm->mutable_label()->set_text(id);
      arm->set_role(id == control_ ? study::v1::ARM_ROLE_CONTROL : study::v1::ARM_ROLE_TREATMENT);
      if (!dose_) continue;
      arm->mutable_dose()->mutable_amount()->set_value(doses_.at(id).first);
      arm->mutable_dose()->mutable_amount()->set_unit(options_.dose_unit);
    }
    for (const VariableColumn& column : variables_) {
      *protocol.add_variables() = AsVariable(column, study::v1::SCOPE_UNIT, table_);
    }
    for (const ThresholdColumns& columns : thresholds_) {
      auto* threshold = protocol.add_thresholds();
      threshold->set_id(columns.id);
      threshold->mutable_label()->set_text(columns.id);
    }
  }

  void BuildTable() {
    std::vector<analysis::v1::ColumnSchema> schema = {analysis::Column("block", COLUMN_TYPE_CODE),
                                                      analysis::Column("unit", COLUMN_TYPE_CODE),
                                                      analysis::Column("arm", COLUMN_TYPE_CODE)};
    if (dose_) schema.push_back(analysis::Column("dose", COLUMN_TYPE_NUMBER, options_.dose_unit));
    schema.push_back(analysis::Column("in_primary", COLUMN_TYPE_YES_NO));
    for (const VariableColumn& column : variables_) {
      schema.push_back(analysis::Column(column.name, column.type,
                                        column.type == COLUMN_TYPE_NUMBER ? "1" : "", column.name));
    }
    std::vector<std::string> ids;
    for (const ThresholdColumns& t : thresholds_) {
      schema.push_back(analysis::Column(absl::StrCat(t.id, "_lower"), COLUMN_TYPE_NUMBER, "d"));
      schema.push_back(analysis::Column(absl::StrCat(t.id, "_upper"), COLUMN_TYPE_NUMBER, "d"));
      schema.push_back(analysis::Column(absl::StrCat(t.id, "_status"), COLUMN_TYPE_CODE));
      ids.push_back(t.id);
    }
    analysis::TableBuilder builder(std::move(schema));
    builder.WithThresholds(std::move(ids));
    if (dose_) builder.WithDoseUnit(options_.dose_unit);
    for (const TableRow* row : InOrder()) {
      const absl::Status added = builder.AddRow(CellsOf(*row));
      if (!added.ok()) problems_.Add(absl::StrCat("row ", row->number, ": ", added.message()));
      file_.keys.emplace_back(At(*row, block_), At(*row, unit_));
    }
    file_.units = std::move(builder).Build();
  }

  std::vector<const TableRow*> InOrder() const {
    std::vector<const TableRow*> rows;
    for (const TableRow& row : table_.rows) rows.push_back(&row);
    std::sort(rows.begin(), rows.end(), [this](const TableRow* a, const TableRow* b) {
      return std::tie(At(*a, block_), At(*a, unit_)) < std::tie(At(*b, block_), At(*b, unit_));
    });
    return rows;
  }

  std::vector<Cell> CellsOf(const TableRow& row) const {
    const char mark = options_.decimal_mark;
    std::vector<Cell> cells = {At(row, block_), At(row, unit_), At(row, arm_)};
    if (dose_) cells.emplace_back(*ParseNumber(At(row, *dose_), mark));
    const bool followed = !in_primary_ || absl::EqualsIgnoreCase(At(row, *in_primary_), "yes") ||
                          absl::EqualsIgnoreCase(At(row, *in_primary_), "true");
    cells.emplace_back(followed);
    for (const VariableColumn& column : variables_) {
      cells.push_back(VariableCell(column, At(row, column.index), mark));
    }
    for (const ThresholdColumns& t : thresholds_) {
      cells.emplace_back(*ParseNumber(At(row, t.lower), mark));
      const auto upper = ParseNumber(At(row, t.upper), mark);
      cells.push_back(upper ? Cell(*upper) : Cell());
      cells.emplace_back(At(row, t.status));
    }
    return cells;
  }

  const Table& table_;
  const UnitFileOptions& options_;
  ProblemList& problems_;
  int block_ = 0, unit_ = 0, arm_ = 0;
  std::optional<int> dose_, in_primary_;
  std::vector<ThresholdColumns> thresholds_;
  std::vector<VariableColumn> variables_;
  std::map<std::pair<std::string, std::string>, int> seen_;
  std::map<std::string, int> arm_rows_;
  std::map<std::string, std::pair<double, int>> doses_;
  std::vector<std::string> arms_;
  std::string control_;
  UnitFile file_;
};

class LookReader {
 public:
  LookReader(const Table& table, char mark, UnitFile* units, ProblemList* problems)
      : table_(table), mark_(mark), units_(*units), problems_(*problems) {}

  std::optional<analysis::Table> Run() {
    const std::set<int> torn = problems_.AddAll(table_);
    const size_t before = problems_.total();
    block_ = Need("block");
    unit_ = Need("unit");
    day_ = Need("day");
    if (problems_.total() > before || torn.contains(table_.heading_row)) return std::nullopt;
    for (const TableRow& row : table_.rows) {
      if (!torn.contains(row.number)) CheckRow(row);
    }
    if (!problems_.empty()) return std::nullopt;
    return Build();
  }

 private:
  int Need(absl::string_view heading) {
    const auto index = table_.Find(heading);
    if (!index) {
      problems_.Add(absl::StrCat("row ", table_.heading_row, ": column \"", heading,
                                 "\" is missing; looks need block, unit and day"));
    }
    return index.value_or(0);
  }

  void Fault(const TableRow& row, int column, std::string message) {
    problems_.Add(table_, row.number, table_.columns[static_cast<size_t>(column)],
                  std::move(message));
  }

  void CheckRow(const TableRow& row) {
    const auto key = std::make_pair(At(row, block_), At(row, unit_));
    if (!std::binary_search(units_.keys.begin(), units_.keys.end(), key)) {
      Fault(row, unit_,
            absl::StrCat("there is no unit \"", key.second, "\" of block \"", key.first,
                         "\" in the table of units"));
    }
    const auto day = ParseNumber(At(row, day_), mark_);
    if (!day || *day < 0) {
      Fault(row, day_,
            absl::StrCat("\"", At(row, day_),
                         "\" is no day; give days from the unit's start, 0 or more"));
      return;
    }
    const auto [known, is_new] =
        seen_.emplace(std::make_tuple(key.first, key.second, *day), row.number);
    if (!is_new) {
      Fault(row, day_,
            absl::StrCat("is a second look at this unit on this day, after row ", known->second,
                         "; keep one"));
    }
  }

  analysis::Table Build() {
    std::vector<VariableColumn> variables;
    std::vector<analysis::v1::ColumnSchema> schema = {
        analysis::Column("block", COLUMN_TYPE_CODE), analysis::Column("unit", COLUMN_TYPE_CODE),
        analysis::Column("day", COLUMN_TYPE_NUMBER, "d")};
    for (int i = 0; i < static_cast<int>(table_.columns.size()); ++i) {
      const std::string& heading = table_.columns[static_cast<size_t>(i)];
      if (i == block_ || i == unit_ || i == day_ || !IsProtocolId(heading)) continue;
      VariableColumn column = InferVariable(table_, i, mark_);
      schema.push_back(analysis::Column(column.name, column.type,
                                        column.type == COLUMN_TYPE_NUMBER ? "1" : "", column.name));
      *units_.protocol.add_variables() = AsVariable(column, study::v1::SCOPE_OBSERVATION, table_);
      variables.push_back(std::move(column));
    }
    std::vector<const TableRow*> rows;
    for (const TableRow& row : table_.rows) rows.push_back(&row);
    std::sort(rows.begin(), rows.end(), [this](const TableRow* a, const TableRow* b) {
      const auto key = [this](const TableRow& row) {
        return std::make_tuple(At(row, block_), At(row, unit_), *ParseNumber(At(row, day_), mark_));
      };
      return key(*a) < key(*b);
    });
    analysis::TableBuilder builder(std::move(schema));
    for (const TableRow* row : rows) {
      std::vector<Cell> cells = {At(*row, block_), At(*row, unit_),
                                 *ParseNumber(At(*row, day_), mark_)};
      for (const VariableColumn& column : variables) {
        cells.push_back(VariableCell(column, At(*row, column.index), mark_));
      }
      const absl::Status added = builder.AddRow(cells);
      if (!added.ok()) problems_.Add(absl::StrCat("row ", row->number, ": ", added.message()));
    }
    return std::move(builder).Build();
  }

  const Table& table_;
  const char mark_;
  UnitFile& units_;
  ProblemList& problems_;
  int block_ = 0, unit_ = 0, day_ = 0;
  std::map<std::tuple<std::string, std::string, double>, int> seen_;
};

}  // namespace

std::optional<UnitFile> ReadUnits(const Table& table, const UnitFileOptions& options,
                                  ProblemList* problems) {
  auto file = UnitReader(table, options, problems).Run();
  return problems->empty() ? std::move(file) : std::nullopt;
}

std::optional<analysis::Table> ReadLooks(const Table& table, char decimal_mark, UnitFile* units,
                                         ProblemList* problems) {
  auto looks = LookReader(table, decimal_mark, units, problems).Run();
  return problems->empty() ? std::move(looks) : std::nullopt;
}

}  // namespace plumule::cli
