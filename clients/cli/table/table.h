#pragma once

#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"

namespace plumule::cli {

// One row of a table. Its number is the one that a spreadsheet shows: the first row of the file is
// 1, blank rows count, a cell with a line break does not.
struct TableRow {
  int number = 0;
  std::vector<std::string> cells;  // as many as columns; outer spaces removed
};

// Something wrong at a place in a table.
struct TableProblem {
  int row = 0;         // 0: the file as a whole
  std::string column;  // its heading; empty: the row as a whole
  std::string message;

  // `row 7, column "a_upper" (D): message`
  std::string Words(const class Table& table) const;
};

// A table of text as a spreadsheet exports it: one heading row, then rows of cells.
class Table {
 public:
  std::vector<std::string> columns;  // headings, outer spaces removed
  int heading_row = 1;
  std::vector<TableRow> rows;  // without blank rows
  char separator = ',';
  std::string encoding;
  // How separator and encoding were found, one sentence each.
  std::vector<std::string> reading;
  // Rows that are longer or shorter than the headings, headings that repeat.
  std::vector<TableProblem> problems;

  // Index of a heading (compared exactly), or nothing.
  std::optional<int> Find(absl::string_view heading) const;
  // "" for headings that are not there, else `column "start" (C)`.
  std::string ColumnWords(absl::string_view heading) const;
};

// How to read. Empty or 0 means: find out.
struct TableOptions {
  char separator = 0;
  std::string encoding = "auto";
};

// Reads a table. InvalidArgument (one line, with the place) for what is no table at all: empty,
// not text, a quotation mark that is never closed, a cell above 32,767 bytes, more than 2,000
// columns or 5,000,000 rows. What is wrong with single rows is in `problems`.
absl::StatusOr<Table> ParseTable(absl::string_view bytes, const TableOptions& options = {});

// The same from a file of at most 512 MiB; NotFound names the file.
absl::StatusOr<Table> ReadTable(const std::string& path, const TableOptions& options = {});

// "A" for 0, "AA" for 26: what a spreadsheet calls a column.
std::string ColumnLetters(int index);

// "comma" for ',', "tab" for '\t' …
std::string SeparatorName(char separator);

// From "comma", "semicolon", "tab", "bar", or the character itself.
absl::StatusOr<char> ParseSeparator(absl::string_view name);

}  // namespace plumule::cli
