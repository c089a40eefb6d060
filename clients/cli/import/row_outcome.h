#pragma once

#include <map>
#include <string>
#include <vector>

#include "absl/types/span.h"
#include "clients/cli/import/row_records.h"
#include "plumule/intake/v1/record.pb.h"

namespace plumule::cli {

// What became of one row, or one thing to say about it.
struct RowLine {
  int row = 0;
  std::string outcome = {};  // of the row: taken, deviation, refused, pending, duplicate
  std::string column = {};
  std::string field = {};
  std::string message = {};
  std::string remedy = {};
};

// What became of a file.
struct SheetOutcome {
  std::vector<RowLine> lines;          // by row; at least one a row
  std::map<std::string, int> rows;     // rows by outcome
  std::map<std::string, int> records;  // records by outcome
  bool any_refused() const { return rows.contains("refused"); }
};

// Joins the receipts, one a record of `sheet`, with its rows. A row is refused if a cell of it
// can't be read or one of its records is refused; else pending, deviation, taken, or (if nothing of
// it is new) duplicate.
SheetOutcome JoinOutcomes(const SheetRecords& sheet,
                          absl::Span<const intake::v1::Receipt> receipts);

// The outcome as CSV with the headings row, outcome, column, field, message, remedy.
std::string OutcomeCsv(const SheetOutcome& outcome);

// The outcome in plain words.
std::string OutcomeText(const SheetOutcome& outcome, bool dry_run);

// Judges the records by the definition alone, without a server: values, ids, days against the
// calendar, order within a unit. Stands in for a server's receipts in a dry run; `today` bounds the
// days. What needs other records (rules across units, ids used before) is not judged.
absl::StatusOr<std::vector<intake::v1::Receipt>> JudgeOffline(const SheetRecords& sheet,
                                                              const study::v1::Protocol& protocol,
                                                              absl::CivilDay today);

}  // namespace plumule::cli
