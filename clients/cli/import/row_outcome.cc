#include "clients/cli/import/row_outcome.h"

#include <algorithm>
#include <array>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "clients/cli/print/judgement_text.h"
#include "clients/cli/print/result_text.h"
#include "clients/cli/table/csv_writer.h"
#include "server/protocol/civil_date.h"
#include "server/protocol/compiled_protocol.h"

namespace plumule::cli {
namespace {

using intake::v1::Judgement;
using intake::v1::Receipt;
using intake::v1::Record;

// From worst to best; a row is what its worst record is.
constexpr std::array<const char*, 5> kOutcomes = {"refused", "pending", "deviation", "taken",
                                                  "duplicate"};

int Severity(const std::string& outcome) {
  const auto at = std::find(kOutcomes.begin(), kOutcomes.end(), outcome);
  return static_cast<int>(at - kOutcomes.begin());
}

// Message and remedy of our own faults stand in one string, parted by the last "; ".
void SplitRemedy(const std::string& words, RowLine* line) {
  const size_t cut = words.rfind("; ");
  line->message = words.substr(0, cut);
  if (cut != std::string::npos) line->remedy = words.substr(cut + 2);
}

void AddFindings(const DraftRecord& draft, const Receipt& receipt, std::vector<RowLine>* lines) {
  const Judgement& judgement = receipt.judgement();
  RowLine line;
  line.row = draft.rows.front();
  for (const auto& problem : judgement.problems()) {
    line.field = problem.field();
    line.column = draft.ColumnOf(problem.field());
    line.message = problem.message();
    line.remedy = problem.remedy();
    if (problem.reason() == "record_id_reused") {
      line.remedy =
          "the row was changed after it was taken: undo the change, or send it as a "
          "correction with --correct";
    }
    lines->push_back(line);
  }
  line = RowLine{.row = draft.rows.front()};
  for (const auto& deviation : judgement.deviations()) {
    line.field = deviation.rule();
    line.message = absl::StrCat("deviation: ", deviation.message());
    lines->push_back(line);
  }
  for (const auto& note : judgement.notes()) {
    line.field = note.rule();
    line.message = absl::StrCat("note: ", note.message());
    lines->push_back(line);
  }
  line.field.clear();
  for (const std::string& what : judgement.waits_for()) {
    // Several records of a row often wait for the same.
    line.message = absl::StrCat("waits: ", what);
    const bool said = std::any_of(lines->begin(), lines->end(), [&](const RowLine& other) {
      return other.row == line.row && other.message == line.message;
    });
    if (!said) lines->push_back(line);
  }
}

}  // namespace

SheetOutcome JoinOutcomes(const SheetRecords& sheet, absl::Span<const Receipt> receipts) {
  SheetOutcome outcome;
  std::map<int, std::string> of_row;
  std::vector<RowLine> lines;
  const auto worsen = [&of_row](int row, const std::string& word) {
    const auto [at, is_new] = of_row.emplace(row, word);
    if (!is_new && Severity(word) < Severity(at->second)) at->second = word;
  };
  for (const RowFault& fault : sheet.faults) {
    RowLine line{.row = fault.row, .outcome = "", .column = fault.column};
    SplitRemedy(fault.message, &line);
    lines.push_back(std::move(line));
    worsen(fault.row, "refused");
  }
  for (size_t i = 0; i < sheet.records.size() && i < receipts.size(); ++i) {
    const std::string word(OutcomeWord(receipts[i]));
    ++outcome.records[word];
    for (const int row : sheet.records[i].rows) worsen(row, word);
    AddFindings(sheet.records[i], receipts[i], &lines);
  }
  std::stable_sort(lines.begin(), lines.end(),
                   [](const RowLine& a, const RowLine& b) { return a.row < b.row; });
  for (const int row : sheet.rows) {
    const auto word = of_row.find(row);
    const std::string shown = word == of_row.end() ? "refused" : word->second;
    ++outcome.rows[shown];
    const auto mine =
        std::equal_range(lines.begin(), lines.end(), RowLine{.row = row},
                         [](const RowLine& a, const RowLine& b) { return a.row < b.row; });
    for (auto line = mine.first; line != mine.second; ++line) {
      outcome.lines.push_back(*line);
      outcome.lines.back().outcome = shown;
    }
    if (mine.first != mine.second) continue;
    RowLine quiet{.row = row, .outcome = shown};
    if (word == of_row.end()) quiet.message = "no answer came for this row; send the file again";
    outcome.lines.push_back(std::move(quiet));
  }
  return outcome;
}

std::string OutcomeCsv(const SheetOutcome& outcome) {
  std::string out = CsvLine({"row", "outcome", "column", "field", "message", "remedy"});
  for (const RowLine& line : outcome.lines) {
    out += CsvLine({absl::StrCat(line.row), line.outcome, GuardedCell(line.column),
                    GuardedCell(line.field), GuardedCell(line.message), GuardedCell(line.remedy)});
  }
  return out;
}

std::string OutcomeText(const SheetOutcome& outcome, bool dry_run) {
  std::string out;
  for (const RowLine& line : outcome.lines) {
    // In a refused row the others wait for what was refused: no news.
    const bool follows = line.outcome == "refused" && line.message.starts_with("waits: ");
    if (line.message.empty() || follows) continue;
    std::string words = absl::StrCat("row ", line.row);
    if (!line.column.empty()) absl::StrAppend(&words, ", column \"", line.column, "\"");
    absl::StrAppend(&words, ": ", line.message, line.remedy.empty() ? "" : "; ", line.remedy);
    out += Wrapped(words, 0);
  }
  int rows = 0;
  for (const auto& [word, count] : outcome.rows) rows += count;
  absl::StrAppend(&out, dry_run ? "Tried, nothing stored: " : "", rows,
                  rows == 1 ? " row" : " rows");
  const char* between = ": ";
  for (const char* word : {"taken", "deviation", "pending", "refused", "duplicate"}) {
    const auto count = outcome.rows.find(word);
    if (count == outcome.rows.end()) continue;
    absl::StrAppend(&out, between, count->second, " ",
                    std::string(word) == "deviation"   ? "taken with a deviation"
                    : std::string(word) == "duplicate" ? "there already"
                    : std::string(word) == "pending"   ? "waiting for other records"
                                                       : word);
    between = ", ";
  }
  absl::StrAppend(&out, ".\n");
  if (outcome.rows.contains("refused")) {
    absl::StrAppend(&out,
                    "Mend the refused rows and send the whole file again: what was taken is "
                    "not counted twice.\n");
  }
  return out;
}

namespace {

void Problem(const std::string& field, const std::string& reason, const std::string& message,
             const std::string& remedy, Judgement* judgement) {
  auto* problem = judgement->add_problems();
  problem->set_field(field);
  problem->set_reason(reason);
  problem->set_message(message);
  problem->set_remedy(remedy);
}

class OfflineJudge {
 public:
  OfflineJudge(const protocol::CompiledProtocol& compiled, absl::CivilDay today)
      : compiled_(compiled), today_(today) {}

  Receipt Judge(const Record& record) {
    Receipt receipt;
    receipt.set_record_id(record.record_id());
    Judgement* judgement = receipt.mutable_judgement();
    JudgeDay(record, judgement);
    JudgeValues(record, judgement);
    JudgeFact(record, judgement);
    judgement->set_outcome(!judgement->problems().empty()     ? intake::v1::OUTCOME_REFUSED
                           : !judgement->deviations().empty() ? intake::v1::OUTCOME_DEVIATION
                                                              : intake::v1::OUTCOME_TAKEN);
    return receipt;
  }

 private:
  void JudgeDay(const Record& record, Judgement* judgement) {
    const auto day = protocol::ParseDate(record.happened_on());
    if (!day) return;
    const std::string spelled = protocol::SpellDate(*day);
    if (*day > today_ + 1) {
      Problem("happened_on", "in_the_future", absl::StrCat(spelled, " has not come yet"),
              "mend the date", judgement);
    }
    const bool look = record.has_observed() || record.has_reached() || record.has_lost();
    if (look && *day > compiled_.closes_on()) {
      Problem("happened_on", "after_closing",
              absl::StrCat(spelled, " is after the study closed on ",
                           protocol::SpellDate(compiled_.closes_on())),
              "leave it out, or mend the date", judgement);
    }
    if (!record.has_unit_started()) return;
    starts_[record.block() + "/" + record.unit()] = *day;
    if (*day < compiled_.opens_on()) {
      Problem("happened_on", "before_opening",
              absl::StrCat(spelled, " is before the study opened on ",
                           protocol::SpellDate(compiled_.opens_on())),
              "mend the date", judgement);
    }
    const auto last = compiled_.last_start();
    if (!last || *day <= *last) return;
    if (compiled_.definition().calendar().refuse_late_starts()) {
      Problem("happened_on", "late_start", absl::StrCat(spelled, " is a late start"),
              "units had to be started by " + protocol::SpellDate(*last), judgement);
      return;
    }
    auto* deviation = judgement->add_deviations();
    deviation->set_rule("late_start");
    deviation->set_message(
        absl::StrCat("started on ", spelled, ", after ", protocol::SpellDate(*last)));
  }

  void JudgeValues(const Record& record, Judgement* judgement) {
    switch (record.fact_case()) {
      case Record::kJoined:
        Read(record.joined().values(), study::v1::SCOPE_GROWER, "joined.values", judgement);
        return;
      case Record::kBlockStarted:
        Read(record.block_started().values(), study::v1::SCOPE_BLOCK, "block_started.values",
             judgement);
        return;
      case Record::kUnitStarted:
        Read(record.unit_started().values(), study::v1::SCOPE_UNIT, "unit_started.values",
             judgement);
        return;
      case Record::kObserved:
        Read(record.observed().values(), study::v1::SCOPE_OBSERVATION, "observed.values",
             judgement);
        return;
      default:
        return;
    }
  }

  template <class Values>
  void Read(const Values& values, study::v1::Scope scope, const char* prefix,
            Judgement* judgement) {
    compiled_.ReadValues(values, scope, prefix, &reading_);
    for (const auto& problem : reading_.problems) *judgement->add_problems() = problem;
    for (const auto& deviation : reading_.deviations) *judgement->add_deviations() = deviation;
    for (const auto& note : reading_.notes) *judgement->add_notes() = note;
  }

  void JudgeFact(const Record& record, Judgement* judgement) {
    if (record.has_joined() &&
        record.joined().consent_version() != compiled_.definition().words().consent_version()) {
      Problem("joined.consent_version", "consent_version_differs",
              absl::StrCat("version \"", record.joined().consent_version(),
                           "\" is not the protocol's, \"",
                           compiled_.definition().words().consent_version(), "\""),
              "mend consent_version in the mapping", judgement);
    }
    if (record.has_reached()) {
      const int threshold = compiled_.FindThreshold(record.reached().threshold());
      if (threshold != protocol::kNone &&
          compiled_.threshold(threshold).source() == study::v1::CROSSING_SOURCE_DERIVED) {
        Problem("reached.threshold", "crossing_is_derived",
                absl::StrCat("the day of ", record.reached().threshold(),
                             " is derived from looks, not reported"),
                "map the measurements instead", judgement);
      }
    }
    const auto start = starts_.find(record.block() + "/" + record.unit());
    const auto day = protocol::ParseDate(record.happened_on());
    if (start != starts_.end() && day && *day < start->second) {
      Problem("happened_on", "before_start",
              absl::StrCat(protocol::SpellDate(*day), " is before the unit was started on ",
                           protocol::SpellDate(start->second)),
              "mend one of the dates", judgement);
    }
    const auto not_yet = protocol::ParseDate(record.reached().not_yet_on());
    if (record.has_reached() && not_yet && day && *not_yet > *day) {
      Problem("reached.not_yet_on", "not_yet_after_reached",
              absl::StrCat(protocol::SpellDate(*not_yet), " is after it was reached on ",
                           protocol::SpellDate(*day)),
              "mend one of the dates", judgement);
    }
  }

  const protocol::CompiledProtocol& compiled_;
  const absl::CivilDay today_;
  protocol::Reading reading_;
  std::map<std::string, absl::CivilDay> starts_;
};

}  // namespace

absl::StatusOr<std::vector<Receipt>> JudgeOffline(const SheetRecords& sheet,
                                                  const study::v1::Protocol& protocol,
                                                  absl::CivilDay today) {
  const auto compiled = protocol::Compile(protocol, 0);
  if (!compiled.ok()) return compiled.status();
  OfflineJudge judge(**compiled, today);
  std::vector<Receipt> receipts;
  for (const DraftRecord& draft : sheet.records) receipts.push_back(judge.Judge(draft.record));
  return receipts;
}

}  // namespace plumule::cli
