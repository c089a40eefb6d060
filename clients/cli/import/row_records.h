#pragma once

#include <map>
#include <string>
#include <vector>

#include "clients/cli/import/mapping.pb.h"
#include "clients/cli/table/table.h"
#include "plumule/intake/v1/record.pb.h"
#include "plumule/study/v1/protocol.pb.h"

namespace plumule::cli {

// A record, and where in the spreadsheet it comes from.
struct DraftRecord {
  intake::v1::Record record;
  // Whom it belongs to: records of one owner are sent together, in order.
  std::string owner;
  // Rows that say it, ascending.
  std::vector<int> rows;
  // Path in the record (`happened_on`, `unit_started.values[peeled]`) to the heading it came from.
  std::map<std::string, std::string> columns;

  // The heading behind a field path; empty if there is none. The longest known beginning counts.
  std::string ColumnOf(const std::string& path) const;
};

// A cell that can't be read. Nothing of its row is sent.
struct RowFault {
  int row = 0;
  std::string column;
  std::string message;  // with the remedy after a semicolon
};

// What a spreadsheet says.
struct SheetRecords {
  // By owner in order of first appearance; within an owner joined, block_started, unit_started,
  // then looks by day, reached, lost.
  std::vector<DraftRecord> records;
  std::vector<RowFault> faults;
  // Numbers of all rows that are not blank.
  std::vector<int> rows;
};

// Makes records of the rows, as the mapping says. `mapping` must have passed CheckMapping with the
// same table and protocol.
//
// Record ids are computed from the study, the grower's, block's and unit's ids and the kind of
// fact (for looks in look rows the day as well), never from the row's place: the same file, or the
// same rows in another order, gives the same ids.
SheetRecords MakeRecords(const Table& table, const Mapping& mapping,
                         const study::v1::Protocol& protocol, int revision,
                         const std::string& study);

// `record` as the correction of itself: for a record whose id is known to the server with other
// content. Its own id is computed from the content, so that sending it twice changes nothing.
intake::v1::Record CorrectionOf(const intake::v1::Record& record, const std::string& study);

}  // namespace plumule::cli
