#include "server/log/dataset.h"

#include <map>
#include <optional>
#include <utility>
#include <variant>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "server/log/answers.h"
#include "server/log/block_walk.h"
#include "server/log/chunk_builder.h"
#include "server/log/crossing.h"
#include "server/log/dataset_schema.h"
#include "server/log/log_reader.h"
#include "server/log/primary_set.h"
#include "server/log/stored_log.h"
#include "server/log/study_reader.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/store/keys.h"

namespace plumule::log {
namespace {

using analysis::v1::ColumnType;
using analysis::v1::DatasetChunk;
using analysis::v1::DatasetSchema;
using protocol::CompiledProtocol;
using Content = DatasetColumn::Content;

// Joins the codes of a choice of several, which hold none of it.
constexpr char kBetweenCodes[] = "+";
// Stands for free words beside codes: the words themselves may say too much.
constexpr char kOther[] = "other";

absl::string_view StatusCode(CrossingStatus status) {
  switch (status) {
    case CrossingStatus::kNotReached:
      return "not_reached";
    case CrossingStatus::kReached:
      return "reached";
    case CrossingStatus::kLostBiological:
      return "lost_biological";
    case CrossingStatus::kLostIncidental:
      return "lost_incidental";
  }
  return "";
}

std::string ChoiceCode(const Chosen& chosen, bool multiple) {
  std::string code = absl::StrJoin(chosen.codes(), kBetweenCodes);
  if (chosen.other().empty() || (!multiple && !code.empty())) return code;
  return code.empty() ? kOther : absl::StrCat(code, kBetweenCodes, kOther);
}

void AddAnswer(ColumnType type, const Answer* answer, bool multiple, ColumnBuilder* column) {
  if (answer == nullptr) return column->Missing(type);
  switch (answer->value_case()) {
    case Answer::kNumber:
      return column->Number(answer->number());
    case Answer::kCount:
      return column->Count(answer->count());
    case Answer::kDate:
      return column->Count(answer->date());
    case Answer::kYesNo:
      return column->YesNo(answer->yes_no());
    case Answer::kChoice:
      return column->Code(ChoiceCode(answer->choice(), multiple));
    case Answer::kText:
      return type == analysis::v1::COLUMN_TYPE_CODE ? column->Code(answer->text())
                                                    : column->Text(answer->text());
    case Answer::VALUE_NOT_SET:
      return column->Missing(type);
  }
}

// One row to be written: a unit, or one of its looks.
struct Row {
  const WalkedBlock* block = nullptr;
  const std::string* unit_id = nullptr;
  const UnitState* unit = nullptr;
  const Fact* look = nullptr;
  bool in_primary = true;
};

// The fact that answers a variable of this scope.
const Fact& FactOfScope(const Row& row, study::v1::Scope scope) {
  switch (scope) {
    case study::v1::SCOPE_GROWER:
      return row.block->grower.joined();
    case study::v1::SCOPE_BLOCK:
      return row.block->state.started();
    case study::v1::SCOPE_UNIT:
      return row.unit->started();
    default:
      return *row.look;
  }
}

// Units that are in a dataset.
class IncludedUnits {
 public:
  IncludedUnits(std::int64_t log_sequence) : log_sequence_(log_sequence) {}  // NOLINT: internal
  bool Include(const WalkedBlock& block, const UnitState& unit) const {
    return !WishedAway(block.grower) && ExclusionOf(block, unit, log_sequence_) == nullptr;
  }

 private:
  std::int64_t log_sequence_;
};

class TableReader : public DatasetReader {
 public:
  TableReader(const store::Reader& reader, const store::StudyName& study,
              const CompiledProtocol& protocol, IncludedUnits included, TableLayout layout,
              bool of_looks, ChunkLimits limits)
      : walk_(reader, study),
        primary_(reader, study, protocol),
        protocol_(protocol),
        included_(included),
        layout_(std::move(layout)),
        of_looks_(of_looks),
        limits_(limits),
        doses_(DosesOf(protocol)),
        builders_(layout_.columns.size()) {}

  const DatasetSchema& schema() const override { return layout_.schema; }

  absl::StatusOr<bool> Next(DatasetChunk* chunk) override {
    chunk->Clear();
    for (ColumnBuilder& builder : builders_) builder.Begin(chunk->add_columns());
    bytes_ = 0;
    int rows = 0;
    while (rows < limits_.rows && bytes_ < limits_.bytes) {
      PLUMULE_ASSIGN_OR_RETURN(const std::optional<Row> row, NextRow());
      if (!row) break;
      AddRow(*row);
      ++rows;
    }
    for (ColumnBuilder& builder : builders_) builder.End();
    chunk->set_rows(rows);
    return rows > 0;
  }

 private:
  // The next row of the current block, or of the next that has one.
  absl::StatusOr<std::optional<Row>> NextRow() {
    for (;;) {
      while (unit_ < block_.units.size()) {
        const auto& [id, unit] = block_.units[unit_];
        const bool included = included_.Include(block_, unit);
        if (included && !of_looks_) {
          return Row{&block_, &id, &unit, nullptr, standings_[unit_++].in_primary};
        }
        if (included && look_ < unit.looks_size()) {
          return Row{&block_, &id, &unit, &unit.looks(look_++)};
        }
        look_ = 0;
        ++unit_;
      }
      PLUMULE_ASSIGN_OR_RETURN(const bool more, walk_.Next(&block_));
      if (!more) return std::nullopt;
      unit_ = 0;
      if (!of_looks_) {
        PLUMULE_ASSIGN_OR_RETURN(standings_, primary_.Judge(block_));
      }
    }
  }

  void AddRow(const Row& row) {
    Crossing crossing;
    bool applies = true;
    const int arm = protocol_.FindArm(row.unit->started().code());
    for (std::size_t i = 0; i < builders_.size(); ++i) {
      ColumnBuilder& column = builders_[i];
      const DatasetColumn& wanted = layout_.columns[i];
      bytes_ += 8;
      switch (wanted.content) {
        case Content::kBlock:
          column.Code(row.block->id);
          break;
        case Content::kUnit:
          column.Code(*row.unit_id);
          break;
        case Content::kArm:
          column.Code(row.unit->started().code());
          break;
        case Content::kDose:
          column.Number(arm == protocol::kNone ? std::nullopt
                                               : doses_[static_cast<std::size_t>(arm)]);
          break;
        case Content::kInPrimary:
          column.YesNo(row.in_primary);
          break;
        case Content::kDay:
          column.Number(row.look->day() - row.unit->started().day());
          break;
        case Content::kVariable: {
          const study::v1::Variable& variable = protocol_.variable(wanted.handle);
          const Answer* answer = FindAnswer(FactOfScope(row, variable.scope()), variable.id());
          if (answer != nullptr) bytes_ += answer->text().size();
          AddAnswer(layout_.schema.columns(static_cast<int>(i)).type(), answer,
                    variable.choice().multiple(), &column);
          break;
        }
        case Content::kLower:
          crossing = CrossingOf(protocol_, wanted.handle, *row.unit);
          applies = arm != protocol::kNone && protocol_.AppliesToArm(wanted.handle, arm);
          column.Number(applies ? std::optional<double>(crossing.lower) : std::nullopt);
          break;
        case Content::kUpper:
          column.Number(applies && crossing.upper ? std::optional<double>(*crossing.upper)
                                                  : std::nullopt);
          break;
        case Content::kStatus:
          // Missing where the threshold is not for the unit's arm.
          column.Code(applies ? std::optional(StatusCode(crossing.status)) : std::nullopt);
          break;
      }
    }
  }

  BlockWalk walk_;
  PrimarySet primary_;
  const CompiledProtocol& protocol_;
  const IncludedUnits included_;
  const TableLayout layout_;
  const bool of_looks_;
  const ChunkLimits limits_;
  const std::vector<std::optional<double>> doses_;
  std::vector<ColumnBuilder> builders_;
  // Where the reading stands.
  WalkedBlock block_;
  std::vector<UnitStanding> standings_;
  std::size_t unit_ = 0;
  int look_ = 0;
  std::size_t bytes_ = 0;
};

class ClosedDataset : public Dataset {
 public:
  ClosedDataset(std::unique_ptr<store::Snapshot> snapshot, store::StudyName study, StudyState state,
                std::int64_t log_sequence, std::shared_ptr<const CompiledProtocol> protocol,
                ChunkLimits limits)
      : snapshot_(std::move(snapshot)),
        study_(std::move(study)),
        state_(std::move(state)),
        log_sequence_(log_sequence),
        protocol_(std::move(protocol)),
        included_(log_sequence),
        limits_(limits) {}

  // First pass: how many rows there are.
  absl::Status CountRows() {
    BlockWalk walk(*snapshot_, study_);
    WalkedBlock block;
    for (;;) {
      PLUMULE_ASSIGN_OR_RETURN(const bool more, walk.Next(&block));
      if (!more) return absl::OkStatus();
      for (const auto& [id, unit] : block.units) {
        if (!included_.Include(block, unit)) continue;
        ++units_;
        looks_ += unit.looks_size();
      }
    }
  }

  std::int64_t log_sequence() const override { return log_sequence_; }
  const CompiledProtocol& protocol() const override { return *protocol_; }

  absl::StatusOr<std::unique_ptr<DatasetReader>> Units() const override {
    return Read(UnitsLayout(*protocol_), units_, false);
  }
  absl::StatusOr<std::unique_ptr<DatasetReader>> Looks() const override {
    return Read(LooksLayout(*protocol_), looks_, true);
  }

  absl::StatusOr<plugin::v1::StudyCounts> Counts() const override {
    plugin::v1::StudyCounts counts;
    counts.set_growers_joined(state_.growers());
    counts.set_blocks_started(state_.blocks());
    counts.set_units_started(state_.units());
    PLUMULE_RETURN_IF_ERROR(CountWithdrawn(&counts));
    std::map<std::string, std::int64_t> excluded;
    std::map<std::string, std::int64_t> deviations;
    PLUMULE_RETURN_IF_ERROR(CountUnits(&excluded, &deviations));
    for (const auto& [reason, units] : excluded) {
      plugin::v1::ExcludedCount* count = counts.add_excluded();
      count->set_reason(reason);
      count->set_units(units);
    }
    for (const auto& [rule, units] : deviations) {
      plugin::v1::DeviationCount* count = counts.add_deviations();
      count->set_rule(rule);
      count->set_units(units);
    }
    return counts;
  }

 private:
  std::unique_ptr<DatasetReader> Read(TableLayout layout, std::int64_t rows, bool of_looks) const {
    layout.schema.set_rows(rows);
    return std::make_unique<TableReader>(*snapshot_, study_, *protocol_, included_,
                                         std::move(layout), of_looks, limits_);
  }

  absl::Status CountWithdrawn(plugin::v1::StudyCounts* counts) const {
    std::int64_t withdrawn = 0;
    PLUMULE_RETURN_IF_ERROR(
        snapshot_->Scan(store::PrefixRange(store::StudyTablePrefix('g', study_)),
                        [&](absl::string_view, absl::string_view value) {
                          GrowerState grower;
                          grower.ParseFromArray(value.data(), static_cast<int>(value.size()));
                          if (WishedAway(grower)) ++withdrawn;
                          return true;
                        }));
    counts->set_growers_withdrawn(withdrawn);
    return absl::OkStatus();
  }

  absl::Status CountUnits(std::map<std::string, std::int64_t>* excluded,
                          std::map<std::string, std::int64_t>* deviations) const {
    BlockWalk walk(*snapshot_, study_);
    PrimarySet primary(*snapshot_, study_, *protocol_);
    WalkedBlock block;
    for (;;) {
      PLUMULE_ASSIGN_OR_RETURN(const bool more, walk.Next(&block));
      if (!more) return absl::OkStatus();
      PLUMULE_ASSIGN_OR_RETURN(const auto standings, primary.Judge(block));
      for (std::size_t i = 0; i < block.units.size(); ++i) {
        const UnitState& unit = block.units[i].second;
        if (WishedAway(block.grower)) {
          ++(*excluded)["the grower withdrew"];
        } else if (const std::string* reason = ExclusionOf(block, unit, log_sequence_)) {
          ++(*excluded)[*reason];
        } else {
          for (const std::string& rule : standings[i].deviations) ++(*deviations)[rule];
        }
      }
    }
  }

  const std::unique_ptr<store::Snapshot> snapshot_;
  const store::StudyName study_;
  const StudyState state_;
  const std::int64_t log_sequence_;
  const std::shared_ptr<const CompiledProtocol> protocol_;
  const IncludedUnits included_;
  const ChunkLimits limits_;
  std::int64_t units_ = 0;
  std::int64_t looks_ = 0;
};

}  // namespace

absl::StatusOr<std::unique_ptr<Dataset>> Dataset::Open(const store::Store& store,
                                                       const store::StudyName& study,
                                                       std::int64_t log_sequence,
                                                       ChunkLimits limits) {
  std::unique_ptr<store::Snapshot> snapshot = store.TakeSnapshot();
  PLUMULE_ASSIGN_OR_RETURN(StudyState state, ReadStudyState(*snapshot, study));
  PLUMULE_ASSIGN_OR_RETURN(const Head head, ReadHead(*snapshot, study));
  if (log_sequence == 0) log_sequence = head.sequence;
  if (log_sequence > head.sequence) {
    return LogDamaged(study, log_sequence, "is quoted by a freeze, but is not there");
  }
  if (state.closed_sequence() == 0 || log_sequence < state.closed_sequence()) {
    return ReasonedError(absl::StatusCode::kFailedPrecondition, "study_not_closed",
                         absl::StrCat(study.Format(), " has no dataset at entry ", log_sequence,
                                      ": it must be closed by then"));
  }
  PLUMULE_ASSIGN_OR_RETURN(auto protocol, ReadCompiled(*snapshot, study, 0));
  auto dataset = std::make_unique<ClosedDataset>(std::move(snapshot), study, std::move(state),
                                                 log_sequence, std::move(protocol), limits);
  PLUMULE_RETURN_IF_ERROR(dataset->CountRows());
  return dataset;
}

}  // namespace plumule::log
