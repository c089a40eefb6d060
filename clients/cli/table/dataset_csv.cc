#include "clients/cli/table/dataset_csv.h"

#include <charconv>

#include "absl/strings/str_cat.h"
#include "absl/time/civil_time.h"
#include "clients/cli/table/csv_writer.h"
#include "server/protocol/civil_date.h"

namespace plumule::cli {
namespace {

std::string Shortest(double number) {
  char digits[32];
  const auto end = std::to_chars(digits, digits + sizeof digits, number).ptr;
  return std::string(digits, end);
}

bool IsThere(const analysis::v1::ColumnChunk& chunk, int row) {
  const auto byte = static_cast<size_t>(row) / 8;
  if (chunk.validity().empty()) return true;
  if (byte >= chunk.validity().size()) return false;
  return ((static_cast<unsigned char>(chunk.validity()[byte]) >> (row % 8)) & 1) != 0;
}

}  // namespace

void DatasetCsv::Begin(const analysis::v1::DatasetSchema& schema) {
  schema_ = schema;
  dictionaries_.assign(static_cast<size_t>(schema.columns_size()), {});
  std::vector<std::string> headings;
  for (const auto& column : schema.columns()) headings.push_back(column.name());
  text_ = CsvLine(headings);
}

absl::Status DatasetCsv::Cell(size_t column, const analysis::v1::ColumnChunk& chunk, int row,
                              std::string* cell) const {
  const auto& schema = schema_.columns(static_cast<int>(column));
  const absl::Status misfit = absl::DataLossError(
      absl::StrCat("column ", schema.name(), ": the values do not fit the schema; export again"));
  switch (schema.type()) {
    case analysis::v1::COLUMN_TYPE_NUMBER:
      if (row >= chunk.numbers_size()) return misfit;
      *cell = Shortest(chunk.numbers(row));
      return absl::OkStatus();
    case analysis::v1::COLUMN_TYPE_COUNT:
      if (row >= chunk.counts_size()) return misfit;
      *cell = absl::StrCat(chunk.counts(row));
      return absl::OkStatus();
    case analysis::v1::COLUMN_TYPE_DATE:
      if (row >= chunk.counts_size()) return misfit;
      *cell = protocol::FormatDate(absl::CivilDay(1970, 1, 1) + chunk.counts(row));
      return absl::OkStatus();
    case analysis::v1::COLUMN_TYPE_YES_NO:
      if (row >= chunk.flags_size()) return misfit;
      *cell = chunk.flags(row) ? "yes" : "no";
      return absl::OkStatus();
    case analysis::v1::COLUMN_TYPE_CODE: {
      if (row >= chunk.codes_size()) return misfit;
      const int code = chunk.codes(row);
      if (code < 0 || static_cast<size_t>(code) >= dictionaries_[column].size()) return misfit;
      *cell = GuardedCell(dictionaries_[column][static_cast<size_t>(code)]);
      return absl::OkStatus();
    }
    default:
      if (row >= chunk.texts_size()) return misfit;
      *cell = GuardedCell(chunk.texts(row));
      return absl::OkStatus();
  }
}

absl::Status DatasetCsv::Add(const analysis::v1::DatasetChunk& chunk) {
  if (chunk.columns_size() != schema_.columns_size()) {
    return absl::DataLossError("a part of the dataset has other columns than its schema");
  }
  for (int column = 0; column < chunk.columns_size(); ++column) {
    auto& dictionary = dictionaries_[static_cast<size_t>(column)];
    dictionary.insert(dictionary.end(), chunk.columns(column).dictionary().begin(),
                      chunk.columns(column).dictionary().end());
  }
  for (int row = 0; row < chunk.rows(); ++row) {
    std::vector<std::string> cells(static_cast<size_t>(chunk.columns_size()));
    for (size_t column = 0; column < cells.size(); ++column) {
      const auto& values = chunk.columns(static_cast<int>(column));
      if (!IsThere(values, row)) continue;
      const absl::Status read = Cell(column, values, row, &cells[column]);
      if (!read.ok()) return read;
    }
    text_ += CsvLine(cells);
  }
  return absl::OkStatus();
}

}  // namespace plumule::cli
