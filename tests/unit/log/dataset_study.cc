#include "tests/unit/log/dataset_study.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <future>
#include <utility>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "server/protocol/civil_date.h"
#include "tests/unit/protocol/good_definition.h"

namespace plumule::log {
namespace {

using analysis::v1::ColumnChunk;
using analysis::v1::ColumnType;
using analysis::v1::DatasetChunk;

const intake::Actor kGrowers = {"growers", access::v1::ROLE_INTAKE};
const intake::Actor kOrganizer = {"organizer", access::v1::ROLE_ORGANIZER};

constexpr char kPicture[] = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";

absl::Time Today() {
  return absl::FromCivil(absl::CivilSecond(2027, 7, 5, 12, 0, 0), absl::UTCTimeZone());
}

bool IsPresent(const ColumnChunk& column, int row) {
  return column.validity().empty() ||
         ((static_cast<unsigned char>(column.validity()[static_cast<std::size_t>(row / 8)]) >>
           (row % 8)) &
          1U) != 0;
}

std::string PrintCell(const analysis::v1::ColumnSchema& schema, const ColumnChunk& column,
                      const std::vector<std::string>& dictionary, int row) {
  if (!IsPresent(column, row)) return "-";
  switch (schema.type()) {
    case ColumnType::COLUMN_TYPE_NUMBER:
      return absl::StrCat(column.numbers(row));
    case ColumnType::COLUMN_TYPE_COUNT:
      return absl::StrCat(column.counts(row));
    case ColumnType::COLUMN_TYPE_DATE:
      return protocol::FormatDate(absl::CivilDay(1970, 1, 1) + column.counts(row));
    case ColumnType::COLUMN_TYPE_YES_NO:
      return column.flags(row) ? "yes" : "no";
    case ColumnType::COLUMN_TYPE_CODE:
      return dictionary.at(static_cast<std::size_t>(column.codes(row)));
    default:
      return absl::StrCat("“", column.texts(row), "”");
  }
}

study::v1::NamedValue Named(const std::string& variable) {
  study::v1::NamedValue named;
  named.set_variable(variable);
  return named;
}

template <typename Fact>
void Fill(Values values, Fact* fact) {
  for (study::v1::NamedValue& value : values) *fact->add_values() = std::move(value);
}

}  // namespace

study::v1::Protocol DatasetDefinition() {
  study::v1::Protocol definition = protocol::GoodDefinition();
  auto* rules = definition.mutable_rules();
  rules->erase(std::remove_if(rules->begin(), rules->end(),
                              [](const study::v1::Rule& rule) { return rule.id() == "in_order"; }),
               rules->end());
  return definition;
}

study::v1::NamedValue Number(const std::string& variable, double value, const std::string& unit) {
  study::v1::NamedValue named = Named(variable);
  named.mutable_value()->mutable_number()->set_value(value);
  named.mutable_value()->mutable_number()->set_unit(unit);
  return named;
}

study::v1::NamedValue Count(const std::string& variable, std::int64_t value) {
  study::v1::NamedValue named = Named(variable);
  named.mutable_value()->set_count(value);
  return named;
}

study::v1::NamedValue Date(const std::string& variable, const std::string& date) {
  study::v1::NamedValue named = Named(variable);
  named.mutable_value()->set_date(date);
  return named;
}

study::v1::NamedValue YesNo(const std::string& variable, bool value) {
  study::v1::NamedValue named = Named(variable);
  named.mutable_value()->set_yes_no(value);
  return named;
}

study::v1::NamedValue Choice(const std::string& variable, const std::vector<std::string>& codes,
                             const std::string& other) {
  study::v1::NamedValue named = Named(variable);
  study::v1::Choice* choice = named.mutable_value()->mutable_choice();
  for (const std::string& code : codes) choice->add_codes(code);
  choice->set_other(other);
  return named;
}

study::v1::NamedValue Text(const std::string& variable, const std::string& text) {
  study::v1::NamedValue named = Named(variable);
  named.mutable_value()->set_text(text);
  return named;
}

study::v1::NamedValue Country(const std::string& variable, const std::string& code) {
  study::v1::NamedValue named = Named(variable);
  named.mutable_value()->set_country(code);
  return named;
}

study::v1::NamedValue Photo(const std::string& variable, const std::string& digest) {
  study::v1::NamedValue named = Named(variable);
  named.mutable_value()->set_photo(digest);
  return named;
}

std::string RecordMaker::NextId() {
  return absl::StrFormat("00000000-0000-4000-8000-%012d", next_id_++);
}

Record RecordMaker::Make(const std::string& day) {
  Record record;
  record.set_record_id(NextId());
  record.set_protocol_revision(1);
  record.set_happened_on(day);
  return record;
}

Record RecordMaker::Joined(const std::string& grower, Values values) {
  Record record = Make("2027-03-01");
  record.set_grower(grower);
  record.mutable_joined()->set_consent_version("1");
  Fill(std::move(values), record.mutable_joined());
  return record;
}

Record RecordMaker::BlockStarted(const std::string& grower, const std::string& block,
                                 Values values) {
  Record record = Make("2027-03-02");
  record.set_grower(grower);
  record.set_block(block);
  Fill(std::move(values), record.mutable_block_started());
  return record;
}

Record RecordMaker::UnitStarted(const std::string& block, const std::string& unit,
                                const std::string& arm, const std::string& day, Values values) {
  Record record = Make(day);
  record.set_block(block);
  record.set_unit(unit);
  record.mutable_unit_started()->set_arm(arm);
  Fill(std::move(values), record.mutable_unit_started());
  return record;
}

Record RecordMaker::Observed(const std::string& block, const std::string& unit,
                             const std::string& day, Values values) {
  Record record = Make(day);
  record.set_block(block);
  record.set_unit(unit);
  Fill(std::move(values), record.mutable_observed());
  return record;
}

Record RecordMaker::Reached(const std::string& block, const std::string& unit,
                            const std::string& threshold, const std::string& day,
                            const std::string& not_yet) {
  Record record = Make(day);
  record.set_block(block);
  record.set_unit(unit);
  record.mutable_reached()->set_threshold(threshold);
  record.mutable_reached()->set_not_yet_on(not_yet);
  return record;
}

Record RecordMaker::Lost(const std::string& block, const std::string& unit,
                         const std::string& cause, const std::string& day) {
  Record record = Make(day);
  record.set_block(block);
  record.set_unit(unit);
  record.mutable_lost()->set_cause(cause);
  return record;
}

Record RecordMaker::Withdrew(const std::string& grower, bool keep) {
  Record record = Make("2027-06-01");
  record.set_grower(grower);
  record.mutable_withdrew()->set_keep_earlier_records(keep);
  return record;
}

Record RecordMaker::Corrected(const Record& wrong, Record replacement) {
  Record record = Withdrawn(wrong);
  replacement.clear_record_id();
  replacement.clear_protocol_revision();
  *record.mutable_corrected()->mutable_replacement() = std::move(replacement);
  return record;
}

Record RecordMaker::Withdrawn(const Record& wrong) {
  Record record = Make("");
  record.set_block(wrong.block());
  record.set_unit(wrong.unit());
  record.mutable_corrected()->set_corrects(wrong.record_id());
  record.mutable_corrected()->set_reason("misread");
  return record;
}

std::vector<Record> SmallStudy(RecordMaker* make) {
  return {
      make->Joined("ana", {Country("country", "PT"), Text("member", "A-17")}),
      make->Joined("bo", {Country("country", "NO")}),
      make->BlockStarted("ana", "b2",
                         {Choice("place", {"in"}), Choice("medium", {"sand", "coir"}),
                          Number("temperature", 77, "[degF]"), Number("strength", 250, "mg/L"),
                          YesNo("heated", true)}),
      make->BlockStarted("bo", "b10", {Choice("place", {"out"}), Choice("medium", {"coir"})}),
      make->UnitStarted("b2", "u1", "control", "2027-03-02",
                        {Date("taken_on", "2027-03-01"), Choice("origin", {"own"})}),
      make->UnitStarted("b2", "u2", "high", "2027-03-02", {Choice("origin", {}, "a neighbour")}),
      make->UnitStarted("b10", "u1", "low", "2027-03-10", {Date("taken_on", "2027-03-09")}),
      make->Observed("b2", "u1", "2027-03-09", {Number("shoot", 1.5, "cm"), Count("roots", 0)}),
      make->Observed("b2", "u1", "2027-03-16",
                     {Number("shoot", 2, "[in_i]"), Count("roots", 2), Choice("callus", {"some"}),
                      YesNo("seen", true), Photo("picture", kPicture)}),
      make->Observed("b10", "u1", "2027-03-10", {Number("shoot", 0, "mm")}),
      make->Reached("b2", "u2", "visible", "2027-03-11", "2027-03-09"),
      make->Lost("b2", "u2", "eaten", "2027-03-20"),
  };
}

DatasetStudy::DatasetStudy(const study::v1::Protocol& definition)
    : intake_(store_, Today), life_(store_, intake_, Today) {
  EXPECT_TRUE(life_.Create(name_, kOrganizer).ok());
  Publish(definition, "");
}

void DatasetStudy::Publish(const study::v1::Protocol& definition, const std::string& reason) {
  const auto published = life_.Publish(name_, definition, NextRequestId(), reason, kOrganizer);
  EXPECT_TRUE(published.ok()) << published.status();
}

void DatasetStudy::Send(std::vector<Record> records) {
  std::promise<intake::Answers> promise;
  const std::vector<Record> sent = records;
  intake_.Submit(name_, std::move(records), kGrowers,
                 [&](intake::Answers answers) { promise.set_value(std::move(answers)); });
  const intake::Answers answers = promise.get_future().get();
  ASSERT_TRUE(answers.ok()) << answers.status();
  for (std::size_t i = 0; i < answers->size(); ++i) {
    EXPECT_NE((*answers)[i].receipt.judgement().outcome(), intake::v1::OUTCOME_REFUSED)
        << sent[i].ShortDebugString() << "\n"
        << (*answers)[i].receipt.ShortDebugString();
  }
}

Judgement DatasetStudy::SendOne(Record record) {
  std::promise<intake::Answers> promise;
  intake_.Submit(name_, {std::move(record)}, kGrowers,
                 [&](intake::Answers answers) { promise.set_value(std::move(answers)); });
  const intake::Answers answers = promise.get_future().get();
  EXPECT_TRUE(answers.ok()) << answers.status();
  return answers.ok() ? answers->front().receipt.judgement() : Judgement();
}

void DatasetStudy::Close() {
  const auto closed = life_.Close(name_, NextRequestId(), "", kOrganizer);
  EXPECT_TRUE(closed.ok()) << closed.status();
}

study::v1::Freeze DatasetStudy::Freeze() {
  const auto freeze = life_.Freeze(name_, NextRequestId(), kOrganizer);
  EXPECT_TRUE(freeze.ok()) << freeze.status();
  return freeze.ok() ? *freeze : study::v1::Freeze();
}

void DatasetStudy::Exclude(const std::string& block, const std::string& unit,
                           const std::string& reason) {
  const auto receipt = life_.Exclude(name_, block, unit, reason, NextRequestId(), kOrganizer);
  ASSERT_TRUE(receipt.ok()) << receipt.status();
  EXPECT_NE(receipt->judgement().outcome(), intake::v1::OUTCOME_REFUSED)
      << receipt->ShortDebugString();
}

std::unique_ptr<Dataset> DatasetStudy::Open(std::int64_t log_sequence, ChunkLimits limits) {
  auto dataset = Dataset::Open(store_, name_, log_sequence, limits);
  EXPECT_TRUE(dataset.ok()) << dataset.status();
  return dataset.ok() ? *std::move(dataset) : nullptr;
}

std::vector<DatasetChunk> ReadChunks(DatasetReader& reader) {
  std::vector<DatasetChunk> chunks;
  DatasetChunk chunk;
  for (;;) {
    const absl::StatusOr<bool> more = reader.Next(&chunk);
    EXPECT_TRUE(more.ok()) << more.status();
    if (!more.ok() || !*more) return chunks;
    chunks.push_back(chunk);
  }
}

std::vector<std::string> PrintTable(DatasetReader& reader) {
  const analysis::v1::DatasetSchema& schema = reader.schema();
  std::vector<std::string> names;
  for (const auto& column : schema.columns()) names.push_back(column.name());
  std::vector<std::string> lines = {absl::StrJoin(names, " ")};
  std::vector<std::vector<std::string>> dictionaries(names.size());
  for (const DatasetChunk& chunk : ReadChunks(reader)) {
    for (std::size_t i = 0; i < names.size(); ++i) {
      const auto& fresh = chunk.columns(static_cast<int>(i)).dictionary();
      dictionaries[i].insert(dictionaries[i].end(), fresh.begin(), fresh.end());
    }
    for (int row = 0; row < chunk.rows(); ++row) {
      std::vector<std::string> cells;
      for (int i = 0; i < schema.columns_size(); ++i) {
        cells.push_back(PrintCell(schema.columns(i), chunk.columns(i),
                                  dictionaries[static_cast<std::size_t>(i)], row));
      }
      lines.push_back(absl::StrJoin(cells, " "));
    }
  }
  EXPECT_EQ(schema.rows(), static_cast<std::int64_t>(lines.size()) - 1);
  return lines;
}

std::vector<std::string> PrintUnits(const Dataset& dataset) {
  const auto reader = dataset.Units();
  EXPECT_TRUE(reader.ok()) << reader.status();
  return PrintTable(**reader);
}

std::vector<std::string> PrintLooks(const Dataset& dataset) {
  const auto reader = dataset.Looks();
  EXPECT_TRUE(reader.ok()) << reader.status();
  return PrintTable(**reader);
}

std::string CellIn(const Dataset& dataset, const std::string& unit, const std::string& column) {
  const std::vector<std::string> lines = PrintUnits(dataset);
  const std::vector<std::string> names = absl::StrSplit(lines[0], ' ');
  const auto at = std::find(names.begin(), names.end(), column) - names.begin();
  for (std::size_t i = 1; i < lines.size(); ++i) {
    const std::vector<std::string> cells = absl::StrSplit(lines[i], ' ');
    if (cells[1] == unit) return cells.at(static_cast<std::size_t>(at));
  }
  return "";
}

std::string CrossingIn(const Dataset& dataset, const std::string& unit,
                       const std::string& threshold) {
  return absl::StrCat(CellIn(dataset, unit, threshold + "_lower"), " ",
                      CellIn(dataset, unit, threshold + "_upper"), " ",
                      CellIn(dataset, unit, threshold + "_status"));
}

}  // namespace plumule::log
