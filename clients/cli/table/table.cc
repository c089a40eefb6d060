#include "clients/cli/table/table.h"

#include <csv.h>

#include <algorithm>
#include <array>
#include <cstddef>
#include <map>
#include <memory>

#include "absl/status/status.h"
#include "absl/strings/ascii.h"
#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "clients/cli/files.h"
#include "clients/cli/table/text_encoding.h"

namespace plumule::cli {
namespace {

constexpr size_t kMaxCell = 32767;  // what spreadsheets themselves allow
constexpr size_t kMaxColumns = 2000;
constexpr size_t kMaxRows = 5'000'000;
constexpr size_t kMaxFile = size_t{512} << 20;
constexpr std::array<char, 4> kSeparators = {',', ';', '\t', '|'};

using RawRows = std::vector<std::vector<std::string>>;

// Receives libcsv's calls; stops collecting at the first limit that is passed.
struct Collector {
  RawRows rows;
  std::vector<std::string> current;
  size_t max_rows = kMaxRows;
  std::string problem;

  static void Cell(void* text, size_t length, void* self_pointer) {
    auto* self = static_cast<Collector*>(self_pointer);
    if (!self->problem.empty() || self->rows.size() >= self->max_rows) return;
    if (length > kMaxCell) {
      self->problem =
          absl::StrCat("row ", self->rows.size() + 1, ", column ",
                       ColumnLetters(static_cast<int>(self->current.size())), ": the cell holds ",
                       length, " bytes, more than ", kMaxCell, "; is a quotation mark missing?");
      return;
    }
    if (self->current.size() >= kMaxColumns) {
      self->problem =
          absl::StrCat("row ", self->rows.size() + 1, ": more than ", kMaxColumns, " columns");
      return;
    }
    self->current.emplace_back(static_cast<const char*>(text), length);
  }

  static void Row(int, void* self_pointer) {
    auto* self = static_cast<Collector*>(self_pointer);
    if (!self->problem.empty() || self->rows.size() >= self->max_rows) return;
    self->rows.push_back(std::move(self->current));
    self->current.clear();
  }
};

int Never(unsigned char) { return 0; }
int IsLineFeed(unsigned char c) { return c == '\n' ? 1 : 0; }

struct ParserFree {
  void operator()(csv_parser* parser) const { csv_free(parser); }
};

// Splits text whose lines end in '\n'. `max_rows` serves a look at the beginning.
absl::StatusOr<RawRows> Split(absl::string_view text, char separator, size_t max_rows) {
  csv_parser parser;
  if (csv_init(&parser, CSV_REPALL_NL) != 0) return absl::InternalError("no memory for the table");
  const std::unique_ptr<csv_parser, ParserFree> owner(&parser);
  csv_set_delim(&parser, static_cast<unsigned char>(separator));
  csv_set_space_func(&parser, &Never);
  csv_set_term_func(&parser, &IsLineFeed);
  csv_set_blk_size(&parser, 64 * 1024);
  Collector collector;
  collector.max_rows = max_rows;
  constexpr size_t kStep = 1 << 20;
  for (size_t at = 0; at < text.size(); at += kStep) {
    const absl::string_view part = text.substr(at, kStep);
    if (csv_parse(&parser, part.data(), part.size(), &Collector::Cell, &Collector::Row,
                  &collector) != part.size()) {
      return absl::InternalError(csv_strerror(csv_error(&parser)));
    }
    // An unclosed quotation mark swallows the rest: notice before it costs memory.
    if (parser.quoted && parser.entry_pos > kMaxCell) {
      return absl::InvalidArgumentError(
          absl::StrCat("row ", collector.rows.size() + 1, ", column ",
                       ColumnLetters(static_cast<int>(collector.current.size())),
                       ": a quotation mark is opened and not closed within ", kMaxCell, " bytes"));
    }
    if (!collector.problem.empty()) return absl::InvalidArgumentError(collector.problem);
    if (collector.rows.size() >= max_rows) break;
  }
  constexpr int kFieldBegun = 2;  // libcsv's state within a cell
  const bool open_quote = parser.quoted && parser.pstate == kFieldBegun;
  if (open_quote && collector.rows.size() < max_rows) {
    return absl::InvalidArgumentError(
        absl::StrCat("row ", collector.rows.size() + 1, ", column ",
                     ColumnLetters(static_cast<int>(collector.current.size())),
                     ": a quotation mark is opened and never closed"));
  }
  csv_fini(&parser, &Collector::Cell, &Collector::Row, &collector);
  if (!collector.problem.empty()) return absl::InvalidArgumentError(collector.problem);
  return std::move(collector.rows);
}

bool IsBlank(const std::vector<std::string>& cells) {
  return std::all_of(cells.begin(), cells.end(), [](const std::string& cell) {
    return absl::StripAsciiWhitespace(cell).empty();
  });
}

struct Separator {
  char character = ',';
  std::string why;
};

// How well a separator fits: rows with as many cells as the first one, given at least two.
struct Fit {
  char separator = ',';
  size_t cells = 0;
  size_t rows = 0;
  size_t alike = 0;
};

Fit Measure(absl::string_view text, char separator) {
  Fit fit{.separator = separator};
  auto rows = Split(text, separator, 200);
  if (!rows.ok()) return fit;
  for (const auto& row : *rows) {
    if (IsBlank(row)) continue;
    if (fit.rows == 0) fit.cells = row.size();
    ++fit.rows;
    if (row.size() == fit.cells) ++fit.alike;
  }
  if (fit.cells < 2) fit.alike = 0;
  return fit;
}

Separator FindSeparator(absl::string_view text) {
  Fit best;
  for (const char separator : kSeparators) {
    const Fit fit = Measure(text, separator);
    if (fit.cells < 2) continue;
    // Compare shares of alike rows without dividing: a/b > c/d.
    const size_t mine = fit.alike * std::max<size_t>(best.rows, 1);
    const size_t theirs = best.alike * std::max<size_t>(fit.rows, 1);
    if (best.cells < 2 || mine > theirs || (mine == theirs && fit.cells > best.cells)) best = fit;
  }
  if (best.cells < 2) {
    return {',', "no separator (comma, semicolon, tab, bar) was found: one column"};
  }
  return {best.separator, absl::StrCat("separated by ", SeparatorName(best.separator), ": ",
                                       best.alike, " of the ", best.rows == 200 ? "first " : "",
                                       best.rows, " rows have ", best.cells, " cells")};
}

// "\r\n" and lone "\r" to "\n", so that a row ends in one way only.
std::string UnifyLineEnds(absl::string_view text) {
  std::string out;
  out.reserve(text.size());
  for (size_t i = 0; i < text.size(); ++i) {
    if (text[i] != '\r') {
      out += text[i];
      continue;
    }
    out += '\n';
    if (i + 1 < text.size() && text[i + 1] == '\n') ++i;
  }
  return out;
}

std::string Trimmed(absl::string_view cell) {
  // A no-break space is what spreadsheets leave behind when copied from the web.
  constexpr absl::string_view kNoBreak = "\xC2\xA0";
  while (true) {
    cell = absl::StripAsciiWhitespace(cell);
    if (absl::StartsWith(cell, kNoBreak)) {
      cell.remove_prefix(kNoBreak.size());
    } else if (absl::EndsWith(cell, kNoBreak)) {
      cell.remove_suffix(kNoBreak.size());
    } else {
      return std::string(cell);
    }
  }
}

void AddHeadings(const std::vector<std::string>& cells, Table* table) {
  for (const std::string& cell : cells) table->columns.push_back(Trimmed(cell));
  while (table->columns.size() > 1 && table->columns.back().empty()) table->columns.pop_back();
  std::map<std::string, int> seen;
  for (size_t i = 0; i < table->columns.size(); ++i) {
    const std::string& heading = table->columns[i];
    if (heading.empty()) continue;
    const auto [first, is_new] = seen.emplace(heading, static_cast<int>(i));
    if (is_new) continue;
    table->problems.push_back({table->heading_row, heading,
                               absl::StrCat("two columns, ", ColumnLetters(first->second), " and ",
                                            ColumnLetters(static_cast<int>(i)),
                                            ", have this heading; rename one of them")});
  }
}

void AddRow(const std::vector<std::string>& cells, int number, Table* table) {
  TableRow row{.number = number, .cells = {}};
  for (const std::string& cell : cells) row.cells.push_back(Trimmed(cell));
  const size_t columns = table->columns.size();
  size_t used = row.cells.size();
  while (used > columns && row.cells[used - 1].empty()) --used;
  if (used > columns) {
    table->problems.push_back(
        {number, "",
         absl::StrCat("has ", used, " cells, the headings are ", columns,
                      "; put cells that contain the separator in quotation marks")});
  } else if (used < columns) {
    table->problems.push_back(
        {number, "",
         absl::StrCat("has ", used, used == 1 ? " cell" : " cells", ", the headings are ", columns,
                      "; is the row cut off, or another separator used?")});
  }
  row.cells.resize(columns);
  table->rows.push_back(std::move(row));
}

// Spreadsheets may begin a file with a line "sep=;".
std::optional<char> TakeSeparatorLine(absl::string_view* text) {
  const absl::string_view line = text->substr(0, text->find('\n'));
  if (line.size() != 5 || !absl::AsciiStrToLower(line).starts_with("sep=")) return std::nullopt;
  const char separator = line[4];
  // The line stays, as a blank one, so that rows keep their numbers.
  text->remove_prefix(line.size());
  return separator;
}

}  // namespace

std::string TableProblem::Words(const Table& table) const {
  std::string place = row > 0 ? absl::StrCat("row ", row) : std::string();
  if (!column.empty()) {
    const std::string words = table.ColumnWords(column);
    absl::StrAppend(&place, place.empty() ? "" : ", ",
                    words.empty() ? absl::StrCat("column \"", column, "\"") : words);
  }
  return place.empty() ? message : absl::StrCat(place, ": ", message);
}

std::optional<int> Table::Find(absl::string_view heading) const {
  const auto at = std::find(columns.begin(), columns.end(), heading);
  if (at == columns.end()) return std::nullopt;
  return static_cast<int>(at - columns.begin());
}

std::string Table::ColumnWords(absl::string_view heading) const {
  const auto index = Find(heading);
  if (!index) return "";
  return absl::StrCat("column \"", heading, "\" (", ColumnLetters(*index), ")");
}

absl::StatusOr<Table> ParseTable(absl::string_view bytes, const TableOptions& options) {
  auto decoded = DecodeText(bytes, options.encoding);
  if (!decoded.ok()) return decoded.status();
  const std::string unified = UnifyLineEnds(decoded->text);
  absl::string_view text = unified;
  Table table;
  table.encoding = decoded->encoding;
  table.reading.push_back(absl::StrCat("read as ", decoded->encoding, ": ", decoded->why));
  const std::optional<char> stated_in_file = TakeSeparatorLine(&text);
  if (options.separator != 0) {
    table.separator = options.separator;
    table.reading.push_back(
        absl::StrCat("separated by ", SeparatorName(table.separator), ": stated"));
  } else if (stated_in_file) {
    table.separator = *stated_in_file;
    table.reading.push_back(absl::StrCat("separated by ", SeparatorName(table.separator),
                                         ": the file's first line says so"));
  } else {
    const Separator found = FindSeparator(text);
    table.separator = found.character;
    table.reading.push_back(found.why);
  }
  auto rows = Split(text, table.separator, kMaxRows);
  if (!rows.ok()) return rows.status();
  if (rows->size() >= kMaxRows) {
    return absl::InvalidArgumentError(
        absl::StrCat("more than ", kMaxRows, " rows; split the file"));
  }
  for (size_t i = 0; i < rows->size(); ++i) {
    if (IsBlank((*rows)[i])) continue;
    if (table.columns.empty()) {
      table.heading_row = static_cast<int>(i) + 1;
      AddHeadings((*rows)[i], &table);
    } else {
      AddRow((*rows)[i], static_cast<int>(i) + 1, &table);
    }
  }
  if (table.columns.empty()) {
    return absl::InvalidArgumentError("the file is empty; its first row must hold the headings");
  }
  return table;
}

absl::StatusOr<Table> ReadTable(const std::string& path, const TableOptions& options) {
  auto bytes = ReadFile(path, kMaxFile);
  if (!bytes.ok()) return bytes.status();
  auto table = ParseTable(*bytes, options);
  if (!table.ok()) {
    return absl::Status(table.status().code(), absl::StrCat(path, ": ", table.status().message()));
  }
  return table;
}

std::string ColumnLetters(int index) {
  std::string letters;
  for (int rest = index + 1; rest > 0; rest = (rest - 1) / 26) {
    letters.insert(letters.begin(), static_cast<char>('A' + (rest - 1) % 26));
  }
  return letters;
}

std::string SeparatorName(char separator) {
  switch (separator) {
    case ',':
      return "comma";
    case ';':
      return "semicolon";
    case '\t':
      return "tab";
    case '|':
      return "bar";
    default:
      return std::string(1, separator);
  }
}

absl::StatusOr<char> ParseSeparator(absl::string_view name) {
  for (const char separator : kSeparators) {
    if (name == SeparatorName(separator)) return separator;
  }
  if (name == "\\t") return '\t';
  if (name.size() == 1 && !absl::ascii_isalnum(static_cast<unsigned char>(name[0])) &&
      name[0] != '"' && name[0] != '\n' && name[0] != '.') {
    return name[0];
  }
  return absl::InvalidArgumentError(
      absl::StrCat("separator \"", name,
                   "\" can't be used; say comma, semicolon, tab, bar or one "
                   "character"));
}

}  // namespace plumule::cli
