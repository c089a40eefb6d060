#pragma once

#include <string>
#include <vector>

#include "clients/cli/table/table.h"
#include "plumule/analysis/v1/dataset.pb.h"
#include "plumule/study/v1/protocol.pb.h"
#include "server/analysis/table_builder.h"

namespace plumule::cli {

// A column whose type was inferred from its cells.
struct VariableColumn {
  std::string name;
  int index = 0;  // in the table
  analysis::v1::ColumnType type = analysis::v1::COLUMN_TYPE_TEXT;
};

// True for ids as protocols allow them: lower-case letters, digits, single underscores, beginning
// with a letter, at most 40.
bool IsProtocolId(const std::string& text);

// The narrowest type that all filled cells of a column fit: count, number, date (ISO), yes/no (yes
// and no, true and false), else code if at most 200 different, else text.
VariableColumn InferVariable(const Table& table, int index, char decimal_mark);

// A cell of an inferred column, for a TableBuilder.
analysis::Cell VariableCell(const VariableColumn& column, const std::string& text,
                            char decimal_mark);

// The column as a protocol's variable, for the definition that is made up for local files.
study::v1::Variable AsVariable(const VariableColumn& column, study::v1::Scope scope,
                               const Table& table);

}  // namespace plumule::cli
