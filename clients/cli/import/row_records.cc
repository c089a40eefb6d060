#include "clients/cli/import/row_records.h"

#include <algorithm>
#include <initializer_list>
#include <optional>
#include <set>
#include <utility>

#include "absl/strings/str_cat.h"
#include "absl/strings/string_view.h"
#include "clients/cli/import/cell_reading.h"
#include "clients/cli/import/protocol_index.h"
#include "clients/cli/version.h"
#include "clients/cpp/uuid.h"
#include "server/protocol/civil_date.h"

namespace plumule::cli {
namespace {

using intake::v1::Record;
using study::v1::NamedValue;

std::string RecordIdFor(const std::string& study, std::initializer_list<absl::string_view> key) {
  std::string joined;
  for (const absl::string_view part : key) absl::StrAppend(&joined, part.size(), ":", part, ";");
  return client::UuidOf({"plumule import", study, joined});
}

// Where a kind of fact stands in its owner's order.
int Rank(const Record& record) {
  switch (record.fact_case()) {
    case Record::kJoined:
      return 0;
    case Record::kBlockStarted:
      return 1;
    case Record::kUnitStarted:
      return 2;
    case Record::kObserved:
      return 3;
    case Record::kReached:
      return 4;
    default:
      return 5;
  }
}

google::protobuf::RepeatedPtrField<NamedValue>* ValuesOf(Record* record) {
  switch (record->fact_case()) {
    case Record::kJoined:
      return record->mutable_joined()->mutable_values();
    case Record::kBlockStarted:
      return record->mutable_block_started()->mutable_values();
    case Record::kUnitStarted:
      return record->mutable_unit_started()->mutable_values();
    case Record::kObserved:
      return record->mutable_observed()->mutable_values();
    default:
      return nullptr;
  }
}

std::string FactName(const Record& record) {
  const auto* field = Record::descriptor()->FindFieldByNumber(static_cast<int>(record.fact_case()));
  return field == nullptr ? "" : field->name();
}

// The words of one row: cells by what they mean.
class Row {
 public:
  Row(const TableRow& row, const Table& table, const Mapping& mapping, const CellReader& reader)
      : row_(row), table_(table), mapping_(mapping), reader_(reader) {}

  int number() const { return row_.number; }

  struct Cell {
    const Column* column = nullptr;
    std::string text;
  };

  // The first filled cell with this meaning for this arm (and id, where one is asked).
  std::optional<Cell> Find(Means means, absl::string_view arm, absl::string_view id = "") const {
    for (const Column& column : mapping_.columns()) {
      if (column.means() != means || column.arm() != arm) continue;
      if (!id.empty() && column.id() != id) continue;
      std::string text = Text(column);
      if (!reader_.IsBlank(text)) return Cell{&column, std::move(text)};
    }
    return std::nullopt;
  }

  std::string Text(const Column& column) const {
    if (column.has_constant()) return column.constant();
    if (column.has_row_number()) return absl::StrCat("row-", row_.number);
    return row_.cells[static_cast<size_t>(*table_.Find(column.heading()))];
  }

 private:
  const TableRow& row_;
  const Table& table_;
  const Mapping& mapping_;
  const CellReader& reader_;
};

std::string HeadingOf(const Column& column) {
  return column.has_heading() ? column.heading() : std::string();
}

class Maker {
 public:
  Maker(const Table& table, const Mapping& mapping, const study::v1::Protocol& protocol,
        int revision, const std::string& study)
      : table_(table),
        mapping_(mapping),
        index_(protocol),
        revision_(revision),
        study_(study),
        reader_(mapping) {
    std::set<std::string> arms;
    for (const Column& column : mapping.columns()) {
      if (!column.arm().empty() && arms.insert(column.arm()).second) arms_.push_back(column.arm());
    }
    // Unit and look rows have one slot, for the row's own unit.
    if (mapping.layout() != LAYOUT_GROWER_ROWS) arms_ = {""};
  }

  SheetRecords Run() {
    for (const TableProblem& problem : table_.problems) {
      if (problem.row != table_.heading_row) {
        out_.faults.push_back({problem.row, problem.column, problem.message});
        spoiled_.insert(problem.row);
      }
    }
    for (const TableRow& row : table_.rows) {
      out_.rows.push_back(row.number);
      if (spoiled_.contains(row.number)) continue;
      ReadRow(row);
    }
    Arrange();
    return std::move(out_);
  }

 private:
  using Drafts = std::vector<DraftRecord>;

  void Fault(const Row& row, const Column* column, absl::string_view message) {
    out_.faults.push_back({row.number(), column ? HeadingOf(*column) : "", std::string(message)});
    row_is_good_ = false;
  }

  void ReadRow(const TableRow& table_row) {
    const Row row(table_row, table_, mapping_, reader_);
    row_is_good_ = true;
    drafts_.clear();
    grower_ = ReadId(row, MEANS_GROWER, "");
    block_ = ReadId(row, MEANS_BLOCK, "");
    if (block_.empty()) block_ = grower_;
    if (block_.empty()) {
      if (row_is_good_) Fault(row, nullptr, "says no grower; fill the cell");
      return;
    }
    owner_ = grower_.empty() ? block_ : grower_;
    std::optional<absl::CivilDay> first_start;
    for (const std::string& arm : arms_) {
      const auto start = ReadUnit(row, arm);
      if (start && (!first_start || *start < *first_start)) first_start = start;
    }
    ReadGrowerAndBlock(row, first_start);
    if (row_is_good_) Commit(row);
  }

  std::string ReadId(const Row& row, Means means, const std::string& arm) {
    const auto cell = row.Find(means, arm);
    if (!cell) return "";
    auto id = reader_.Id(cell->text, *cell->column, study_);
    if (!id.ok()) {
      Fault(row, cell->column, id.status().message());
      return "";
    }
    return *std::move(id);
  }

  std::optional<absl::CivilDay> ReadDay(const Row& row, Means means, const std::string& arm,
                                        std::string* heading, absl::string_view id = "") {
    auto cell = row.Find(means, arm, id);
    if (!cell && means == MEANS_LOOKED_ON) cell = row.Find(means, "");
    if (!cell) return std::nullopt;
    *heading = HeadingOf(*cell->column);
    const auto day = reader_.Date(cell->text, *cell->column);
    if (!day.ok()) {
      Fault(row, cell->column, day.status().message());
      return std::nullopt;
    }
    return *day;
  }

  DraftRecord NewDraft(const Row& row, std::initializer_list<absl::string_view> key) {
    DraftRecord draft;
    draft.owner = owner_;
    draft.rows = {row.number()};
    draft.record.set_record_id(RecordIdFor(study_, key));
    draft.record.set_protocol_revision(revision_);
    draft.record.mutable_client()->set_program("plumule import");
    draft.record.mutable_client()->set_version(kVersion);
    return draft;
  }

  // Answers of one scope for one arm's slot, into the draft's values.
  void ReadAnswers(const Row& row, study::v1::Scope scope, const std::string& arm,
                   DraftRecord* draft) {
    const std::string fact = FactName(draft->record);
    for (const Column& column : mapping_.columns()) {
      if (column.means() != MEANS_ANSWER || column.arm() != arm) continue;
      const study::v1::Variable* variable = index_.Variable(column.id());
      if (variable->scope() != scope) continue;
      const std::string text = row.Text(column);
      if (reader_.IsBlank(text)) continue;
      auto value = reader_.Answer(text, column, *variable);
      if (!value.ok()) {
        Fault(row, &column, value.status().message());
        continue;
      }
      NamedValue* named = ValuesOf(&draft->record)->Add();
      named->set_variable(column.id());
      *named->mutable_value() = *std::move(value);
      draft->columns[absl::StrCat(fact, ".values[", column.id(), "]")] = HeadingOf(column);
    }
  }

  void SetDay(DraftRecord* draft, absl::CivilDay day, const std::string& heading) {
    draft->record.set_happened_on(protocol::FormatDate(day));
    draft->columns["happened_on"] = heading;
  }

  // One unit of the row; gives its start day.
  std::optional<absl::CivilDay> ReadUnit(const Row& row, const std::string& slot) {
    std::string arm = slot;
    std::string arm_heading;
    if (const auto cell = row.Find(MEANS_ARM, slot)) {
      arm = reader_.Coded(cell->text, *cell->column);
      arm_heading = HeadingOf(*cell->column);
      if (index_.Arm(arm) == nullptr) {
        Fault(row, cell->column,
              absl::StrCat("\"", cell->text, "\" is no arm (", index_.ArmWords(),
                           "); add it to the column's codes, or mend the cell"));
        return std::nullopt;
      }
    }
    unit_ = ReadId(row, MEANS_UNIT, slot);
    if (unit_.empty()) unit_ = arm;
    std::string heading;
    const auto start = ReadDay(row, MEANS_STARTED_ON, slot, &heading);
    const bool is_named = !unit_.empty();
    if (!is_named) {
      if (row_is_good_) Fault(row, nullptr, "says neither unit nor arm; fill one of them");
      return std::nullopt;
    }
    if (start) {
      if (arm.empty()) {
        Fault(row, nullptr, "has a start but no arm; fill the cell");
        return std::nullopt;
      }
      DraftRecord draft = NewDraft(row, {"unit_started", block_, unit_});
      draft.record.set_block(block_);
      draft.record.set_unit(unit_);
      draft.record.mutable_unit_started()->set_arm(arm);
      draft.columns["unit_started.arm"] = arm_heading;
      SetDay(&draft, *start, heading);
      ReadAnswers(row, study::v1::SCOPE_UNIT, slot, &draft);
      drafts_.push_back(std::move(draft));
    }
    ReadLooks(row, slot);
    return start;
  }

  void ReadLooks(const Row& row, const std::string& slot) {
    std::string look_heading;
    const auto looked_on = ReadDay(row, MEANS_LOOKED_ON, slot, &look_heading);
    std::set<std::string> answered;
    AddLook(row, slot, looked_on, look_heading, &answered);
    const bool lost = ReadLoss(row, slot);
    std::set<std::string> thresholds;
    for (const Column& column : mapping_.columns()) {
      if (column.means() == MEANS_REACHED_ON && column.arm() == slot)
        thresholds.insert(column.id());
    }
    for (const std::string& threshold : thresholds) {
      if (ReadReached(row, slot, threshold) || lost) continue;
      if (answered.contains(index_.Threshold(threshold)->variable())) continue;
      AddNotYet(row, slot, threshold, looked_on);
    }
  }

  void AddLook(const Row& row, const std::string& slot, std::optional<absl::CivilDay> day,
               const std::string& heading, std::set<std::string>* answered) {
    const std::string detail =
        mapping_.layout() == LAYOUT_LOOK_ROWS && day ? protocol::FormatDate(*day) : std::string();
    DraftRecord draft = NewDraft(row, {"observed", block_, unit_, detail});
    draft.record.set_block(block_);
    draft.record.set_unit(unit_);
    draft.record.mutable_observed();
    ReadAnswers(row, study::v1::SCOPE_OBSERVATION, slot, &draft);
    for (const NamedValue& value : draft.record.observed().values()) {
      answered->insert(value.variable());
    }
    if (answered->empty()) {
      if (mapping_.layout() == LAYOUT_LOOK_ROWS && day && row_is_good_ &&
          !row.Find(MEANS_STARTED_ON, slot) && !row.Find(MEANS_REACHED_ON, slot) &&
          !row.Find(MEANS_LOST_ON, slot)) {
        Fault(row, nullptr, "has the day of a look but no answer; fill one, or take the row out");
      }
      return;
    }
    if (!day) {
      if (row_is_good_) Fault(row, nullptr, "has answers of a look but not its day; fill the day");
      return;
    }
    SetDay(&draft, *day, heading);
    drafts_.push_back(std::move(draft));
  }

  bool ReadReached(const Row& row, const std::string& slot, const std::string& threshold) {
    std::string heading;
    const auto day = ReadDay(row, MEANS_REACHED_ON, slot, &heading, threshold);
    if (!day) return false;
    DraftRecord draft = NewDraft(row, {"reached", block_, unit_, threshold});
    draft.record.set_block(block_);
    draft.record.set_unit(unit_);
    draft.record.mutable_reached()->set_threshold(threshold);
    SetDay(&draft, *day, heading);
    const auto not_yet = ReadDay(row, MEANS_NOT_YET_ON, slot, &heading, threshold);
    if (not_yet) {
      draft.record.mutable_reached()->set_not_yet_on(protocol::FormatDate(*not_yet));
      draft.columns["reached.not_yet_on"] = heading;
    }
    drafts_.push_back(std::move(draft));
    return true;
  }

  bool ReadLoss(const Row& row, const std::string& slot) {
    std::string heading;
    const auto day = ReadDay(row, MEANS_LOST_ON, slot, &heading);
    const auto cause = row.Find(MEANS_LOSS_CAUSE, slot);
    const bool constant = cause && cause->column->has_constant();
    if (!day && (!cause || constant)) return false;
    if (!day || !cause) {
      if (row_is_good_) {
        Fault(row, cause ? cause->column : nullptr,
              day ? "has the day of a loss but no cause; fill the cause"
                  : "has the cause of a loss but not its day; fill the day");
      }
      return true;
    }
    const std::string id = reader_.Coded(cause->text, *cause->column);
    if (index_.Loss(id) == nullptr) {
      Fault(row, cause->column,
            absl::StrCat("\"", cause->text, "\" is no cause of loss (", index_.LossWords(),
                         "); add it to the column's codes, or mend the cell"));
      return true;
    }
    DraftRecord draft = NewDraft(row, {"lost", block_, unit_});
    draft.record.set_block(block_);
    draft.record.set_unit(unit_);
    draft.record.mutable_lost()->set_cause(id);
    draft.columns["lost.cause"] = HeadingOf(*cause->column);
    if (const auto note = row.Find(MEANS_LOSS_NOTE, slot)) {
      draft.record.mutable_lost()->set_note(note->text);
      draft.columns["lost.note"] = HeadingOf(*note->column);
    }
    SetDay(&draft, *day, heading);
    drafts_.push_back(std::move(draft));
    return true;
  }

  // The look that found a unit not there yet.
  void AddNotYet(const Row& row, const std::string& slot, const std::string& threshold,
                 std::optional<absl::CivilDay> looked_on) {
    if (!row.Find(MEANS_STARTED_ON, slot)) return;  // no such unit in this row
    const study::v1::Threshold& rule = *index_.Threshold(threshold);
    const study::v1::Variable* variable = index_.Variable(rule.variable());
    const auto stated =
        std::find_if(mapping_.not_yet().begin(), mapping_.not_yet().end(),
                     [&](const NotYet& not_yet) { return not_yet.threshold() == threshold; });
    if (stated == mapping_.not_yet().end() || variable == nullptr) return;
    std::string heading;
    auto day = ReadDay(row, MEANS_NOT_YET_ON, slot, &heading, threshold);
    if (!day) day = looked_on;
    if (!day && !stated->looked_on().empty()) {
      const auto constant = protocol::ParseDate(stated->looked_on());
      if (!constant) {
        Fault(row, nullptr,
              absl::StrCat("not_yet.looked_on: \"", stated->looked_on(),
                           "\" is no ISO date; mend the mapping"));
        return;
      }
      day = *constant;
    }
    if (!day) return;
    Column as_column;
    as_column.set_unit(stated->unit());
    auto answer = reader_.Answer(stated->answer(), as_column, *variable);
    if (!answer.ok()) {
      Fault(row, nullptr, absl::StrCat("not_yet.answer: ", answer.status().message()));
      return;
    }
    DraftRecord draft = NewDraft(row, {"observed", block_, unit_, "not yet", threshold});
    draft.record.set_block(block_);
    draft.record.set_unit(unit_);
    NamedValue* named = draft.record.mutable_observed()->add_values();
    named->set_variable(variable->id());
    *named->mutable_value() = *std::move(answer);
    SetDay(&draft, *day, heading);
    drafts_.push_back(std::move(draft));
  }

  void ReadGrowerAndBlock(const Row& row, std::optional<absl::CivilDay> first_start) {
    std::string heading;
    const auto joined = ReadDay(row, MEANS_JOINED_ON, "", &heading);
    const bool has_grower = !grower_.empty() && !mapping_.growers_joined_already();
    if (has_grower && (joined || first_start)) {
      DraftRecord draft = NewDraft(row, {"joined", grower_});
      draft.record.set_grower(grower_);
      draft.record.mutable_joined()->set_consent_version(mapping_.consent_version());
      if (joined) SetDay(&draft, *joined, heading);
      ReadAnswers(row, study::v1::SCOPE_GROWER, "", &draft);
      if (!joined) NoteFirstStart(draft.record.record_id(), *first_start);
      drafts_.push_back(std::move(draft));
    }
    const auto block_start = ReadDay(row, MEANS_BLOCK_STARTED_ON, "", &heading);
    if (grower_.empty() || (!block_start && !first_start)) return;
    DraftRecord draft = NewDraft(row, {"block_started", block_});
    draft.record.set_grower(grower_);
    draft.record.set_block(block_);
    draft.record.mutable_block_started();
    if (block_start) SetDay(&draft, *block_start, heading);
    ReadAnswers(row, study::v1::SCOPE_BLOCK, "", &draft);
    if (!block_start) NoteFirstStart(draft.record.record_id(), *first_start);
    drafts_.push_back(std::move(draft));
  }

  void NoteFirstStart(const std::string& record_id, absl::CivilDay day) {
    pending_starts_.emplace_back(record_id, day);
  }

  // Takes the row's drafts over, merging those that other rows have said before.
  void Commit(const Row& row) {
    for (const DraftRecord& draft : drafts_) {
      const auto known = by_id_.find(draft.record.record_id());
      if (known == by_id_.end()) continue;
      if (draft.record.has_unit_started() && mapping_.layout() != LAYOUT_LOOK_ROWS) {
        out_.faults.push_back(
            {row.number(), "",
             absl::StrCat("is ", Whom(draft.record), " again, after row ",
                          out_.records[known->second].rows.front(),
                          "; take one of them out, or give each unit an id of its own in a column "
                          "with MEANS_UNIT")});
        row_is_good_ = false;
        break;
      }
      const std::string conflict = Conflict(out_.records[known->second], draft);
      if (conflict.empty()) continue;
      out_.faults.push_back(
          {row.number(), draft.ColumnOf(conflict),
           absl::StrCat("says otherwise than row ", out_.records[known->second].rows.front(),
                        " about ", FactName(draft.record), " of ", Whom(draft.record), " (",
                        conflict, "); make the rows agree")});
      row_is_good_ = false;
    }
    if (row_is_good_) {
      for (DraftRecord& draft : drafts_) Merge(std::move(draft));
      for (const auto& [id, day] : pending_starts_) {
        const auto [at, is_new] = first_start_.emplace(id, day);
        if (!is_new && day < at->second) at->second = day;
      }
    }
    pending_starts_.clear();
  }

  static std::string Whom(const Record& record) {
    if (!record.unit().empty()) return absl::StrCat("unit ", record.block(), "/", record.unit());
    if (!record.block().empty()) return absl::StrCat("block ", record.block());
    return absl::StrCat("grower ", record.grower());
  }

  // The path in which two drafts of one record differ; empty if they agree or complete each other.
  static std::string Conflict(const DraftRecord& old_draft, const DraftRecord& new_draft) {
    Record a = old_draft.record;
    Record b = new_draft.record;
    if (auto* values = ValuesOf(&a)) {
      for (const NamedValue& mine : *values) {
        for (const NamedValue& theirs : *ValuesOf(&b)) {
          if (mine.variable() == theirs.variable() &&
              mine.value().SerializeAsString() != theirs.value().SerializeAsString()) {
            return absl::StrCat(FactName(a), ".values[", mine.variable(), "]");
          }
        }
      }
      values->Clear();
      ValuesOf(&b)->Clear();
    }
    if (a.happened_on() != b.happened_on()) return "happened_on";
    return a.SerializeAsString() == b.SerializeAsString() ? "" : FactName(a);
  }

  void Merge(DraftRecord draft) {
    const auto [known, is_new] = by_id_.emplace(draft.record.record_id(), out_.records.size());
    if (is_new) {
      out_.records.push_back(std::move(draft));
      return;
    }
    DraftRecord& kept = out_.records[known->second];
    kept.rows.push_back(draft.rows.front());
    kept.columns.insert(draft.columns.begin(), draft.columns.end());
    auto* values = ValuesOf(&kept.record);
    if (values == nullptr) return;
    for (const NamedValue& value : *ValuesOf(&draft.record)) {
      const bool there = std::any_of(values->begin(), values->end(), [&](const NamedValue& mine) {
        return mine.variable() == value.variable();
      });
      if (!there) *values->Add() = value;
    }
  }

  // Fills the days that rows leave open and puts the records in order.
  void Arrange() {
    std::map<std::string, size_t> owners;
    for (DraftRecord& draft : out_.records) {
      owners.emplace(draft.owner, owners.size());
      if (!draft.record.happened_on().empty()) continue;
      const auto start = first_start_.find(draft.record.record_id());
      if (start != first_start_.end()) {
        draft.record.set_happened_on(protocol::FormatDate(start->second));
      }
    }
    std::stable_sort(out_.records.begin(), out_.records.end(),
                     [&](const DraftRecord& a, const DraftRecord& b) {
                       const auto key = [&](const DraftRecord& draft) {
                         const int rank = Rank(draft.record);
                         return std::make_tuple(owners[draft.owner], rank,
                                                rank == 3 ? draft.record.happened_on() : "");
                       };
                       return key(a) < key(b);
                     });
    std::stable_sort(out_.faults.begin(), out_.faults.end(),
                     [](const RowFault& a, const RowFault& b) { return a.row < b.row; });
  }

  const Table& table_;
  const Mapping& mapping_;
  const ProtocolIndex index_;
  const int revision_;
  const std::string study_;
  const CellReader reader_;
  std::vector<std::string> arms_;
  std::set<int> spoiled_;

  // Of the row at hand.
  bool row_is_good_ = true;
  std::string grower_, block_, unit_, owner_;
  Drafts drafts_;
  std::vector<std::pair<std::string, absl::CivilDay>> pending_starts_;

  std::map<std::string, size_t> by_id_;
  std::map<std::string, absl::CivilDay> first_start_;
  SheetRecords out_;
};

}  // namespace

std::string DraftRecord::ColumnOf(const std::string& path) const {
  std::string best, heading;
  for (const auto& [known, column] : columns) {
    if (path.starts_with(known) && known.size() >= best.size()) {
      best = known;
      heading = column;
    }
  }
  return heading;
}

SheetRecords MakeRecords(const Table& table, const Mapping& mapping,
                         const study::v1::Protocol& protocol, int revision,
                         const std::string& study) {
  return Maker(table, mapping, protocol, revision, study).Run();
}

Record CorrectionOf(const Record& record, const std::string& study) {
  Record correction;
  const std::string content = record.SerializeAsString();
  correction.set_record_id(RecordIdFor(study, {"corrected", record.record_id(), content}));
  correction.set_protocol_revision(record.protocol_revision());
  correction.set_grower(record.grower());
  correction.set_block(record.block());
  correction.set_unit(record.unit());
  *correction.mutable_client() = record.client();
  auto* corrected = correction.mutable_corrected();
  corrected->set_corrects(record.record_id());
  corrected->set_reason("the spreadsheet was mended");
  Record* replacement = corrected->mutable_replacement();
  *replacement = record;
  replacement->clear_record_id();
  replacement->clear_protocol_revision();
  replacement->clear_client();
  return correction;
}

}  // namespace plumule::cli
