#pragma once

#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "clients/cli/local/problem_list.h"
#include "clients/cli/table/table.h"
#include "plumule/study/v1/protocol.pb.h"
#include "server/analysis/table_builder.h"

namespace plumule::cli {

// How to read a unit table.
struct UnitFileOptions {
  std::string control;          // id of the control; empty: the arm named "control"
  std::string dose_unit = "1";  // UCUM unit of `dose`
  char decimal_mark = '.';
};

// A table of units from a local file, as an analysis takes it.
struct UnitFile {
  analysis::Table units;  // ordered by block, then unit
  // A definition made up from the table: arms, variables, thresholds; no words, no calendar.
  study::v1::Protocol protocol;
  // (block, unit), ordered, for checking looks.
  std::vector<std::pair<std::string, std::string>> keys;
  // What was left out, one sentence each.
  std::vector<std::string> notes;
};

// Reads columns `block,unit,arm`, optional `dose` and `in_primary`, any variables, and for each
// threshold `<id>_lower,<id>_upper,<id>_status` (days from the unit's start; empty upper: not
// reached; status `reached`, `not_reached`, `lost_biological`, `lost_incidental`). Variables' types
// are inferred. Nothing, with `problems` filled, if anything does not fit: every cell is named.
std::optional<UnitFile> ReadUnits(const Table& table, const UnitFileOptions& options,
                                  ProblemList* problems);

// Reads looks: `block,unit,day` and any variables; units must be in `units`. Adds the variables to
// the definition.
std::optional<analysis::Table> ReadLooks(const Table& table, char decimal_mark, UnitFile* units,
                                         ProblemList* problems);

}  // namespace plumule::cli
