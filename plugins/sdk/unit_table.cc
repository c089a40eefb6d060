#include "plugins/sdk/unit_table.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "absl/container/flat_hash_set.h"
#include "absl/strings/str_cat.h"

namespace plumule::sdk {
namespace {

using analysis::v1::ColumnChunk;

constexpr int kMaxRowsInChunk = 65'536;

absl::string_view TypeName(analysis::v1::ColumnType type) {
  switch (type) {
    case analysis::v1::COLUMN_TYPE_NUMBER:
      return "number";
    case analysis::v1::COLUMN_TYPE_COUNT:
      return "count";
    case analysis::v1::COLUMN_TYPE_CODE:
      return "code";
    case analysis::v1::COLUMN_TYPE_YES_NO:
      return "yes_no";
    case analysis::v1::COLUMN_TYPE_DATE:
      return "date";
    case analysis::v1::COLUMN_TYPE_TEXT:
      return "text";
    default:
      return "unknown";
  }
}

// Values that the chunk holds for a column of `type`.
int ValuesOfType(const ColumnChunk& chunk, analysis::v1::ColumnType type) {
  switch (type) {
    case analysis::v1::COLUMN_TYPE_NUMBER:
      return chunk.numbers_size();
    case analysis::v1::COLUMN_TYPE_COUNT:
    case analysis::v1::COLUMN_TYPE_DATE:
      return chunk.counts_size();
    case analysis::v1::COLUMN_TYPE_CODE:
      return chunk.codes_size();
    case analysis::v1::COLUMN_TYPE_YES_NO:
      return chunk.flags_size();
    default:
      return chunk.texts_size();
  }
}

int ValuesOfAnyType(const ColumnChunk& chunk) {
  return chunk.numbers_size() + chunk.counts_size() + chunk.codes_size() + chunk.flags_size() +
         chunk.texts_size();
}

absl::Status CheckShape(const ColumnChunk& chunk, const analysis::v1::ColumnSchema& schema,
                        int rows) {
  const int values = ValuesOfType(chunk, schema.type());
  if (values != rows) {
    return absl::InvalidArgumentError(absl::StrCat("has ", values, " values of type ",
                                                   TypeName(schema.type()), " for ", rows,
                                                   " rows; missing values take a place too"));
  }
  if (ValuesOfAnyType(chunk) != values) {
    return absl::InvalidArgumentError(
        absl::StrCat("holds values of another type than ", TypeName(schema.type())));
  }
  const std::size_t wanted = (static_cast<std::size_t>(rows) + 7) / 8;
  if (!chunk.validity().empty() && chunk.validity().size() != wanted) {
    return absl::InvalidArgumentError(absl::StrCat("has ", chunk.validity().size(),
                                                   " validity bytes; ", rows, " rows need ", wanted,
                                                   " or none"));
  }
  if (chunk.dictionary_size() > 0 && schema.type() != analysis::v1::COLUMN_TYPE_CODE) {
    return absl::InvalidArgumentError("has a dictionary but holds no codes");
  }
  return absl::OkStatus();
}

absl::Status AppendDictionary(const ColumnChunk& chunk, Column& column) {
  if (chunk.dictionary_size() == 0) return absl::OkStatus();
  absl::flat_hash_set<absl::string_view> known(column.dictionary.begin(), column.dictionary.end());
  for (const std::string& entry : chunk.dictionary()) {
    if (!known.insert(entry).second) {
      return absl::InvalidArgumentError(
          absl::StrCat("repeats the dictionary entry \"", entry, "\""));
    }
  }
  column.dictionary.insert(column.dictionary.end(), chunk.dictionary().begin(),
                           chunk.dictionary().end());
  return absl::OkStatus();
}

absl::Status CheckValues(const ColumnChunk& chunk, const Column& column, std::size_t first_row) {
  for (int i = 0; i < chunk.numbers_size(); ++i) {
    if (!std::isfinite(chunk.numbers(i))) {
      return absl::InvalidArgumentError(absl::StrCat(
          "row ", first_row + static_cast<std::size_t>(i) + 1, " is not a finite number"));
    }
  }
  const auto entries = static_cast<std::int64_t>(column.dictionary.size());
  for (int i = 0; i < chunk.codes_size(); ++i) {
    const std::size_t row = first_row + static_cast<std::size_t>(i);
    const bool missing = column.present[row] == 0;
    if (!missing && (chunk.codes(i) < 0 || chunk.codes(i) >= entries)) {
      return absl::InvalidArgumentError(absl::StrCat("row ", row + 1, " has code ", chunk.codes(i),
                                                     "; the dictionary has ", entries, " entries"));
    }
  }
  return absl::OkStatus();
}

void AppendPresence(const std::string& validity, int rows, std::vector<std::uint8_t>& present) {
  if (validity.empty()) {
    present.insert(present.end(), static_cast<std::size_t>(rows), 1);
    return;
  }
  for (std::size_t i = 0; i < static_cast<std::size_t>(rows); ++i) {
    const auto byte = static_cast<unsigned char>(validity[i / 8]);
    present.push_back(static_cast<std::uint8_t>((byte >> (i % 8)) & 1U));
  }
}

absl::Status AppendColumn(const ColumnChunk& chunk, int rows, Column& column) {
  if (auto status = CheckShape(chunk, column.schema, rows); !status.ok()) return status;
  if (auto status = AppendDictionary(chunk, column); !status.ok()) return status;
  const std::size_t first_row = column.present.size();
  AppendPresence(chunk.validity(), rows, column.present);
  if (auto status = CheckValues(chunk, column, first_row); !status.ok()) return status;
  column.numbers.insert(column.numbers.end(), chunk.numbers().begin(), chunk.numbers().end());
  column.counts.insert(column.counts.end(), chunk.counts().begin(), chunk.counts().end());
  column.codes.insert(column.codes.end(), chunk.codes().begin(), chunk.codes().end());
  column.flags.insert(column.flags.end(), chunk.flags().begin(), chunk.flags().end());
  column.texts.insert(column.texts.end(), chunk.texts().begin(), chunk.texts().end());
  return absl::OkStatus();
}

}  // namespace

const Column* UnitTable::Find(absl::string_view name) const {
  const auto found = std::find_if(columns_.begin(), columns_.end(), [name](const Column& column) {
    return column.schema.name() == name;
  });
  return found == columns_.end() ? nullptr : &*found;
}

absl::StatusOr<const Column*> UnitTable::Typed(absl::string_view name,
                                               analysis::v1::ColumnType type) const {
  const Column* column = Find(name);
  if (column == nullptr) {
    return absl::NotFoundError(absl::StrCat("the table has no column `", name, "`"));
  }
  if (column->schema.type() != type) {
    return absl::InvalidArgumentError(absl::StrCat("column `", name, "` is of type ",
                                                   TypeName(column->schema.type()), "; ",
                                                   TypeName(type), " is needed"));
  }
  return column;
}

absl::StatusOr<TableReader> TableReader::Make(const analysis::v1::DatasetSchema& schema,
                                              absl::string_view what) {
  TableReader reader;
  reader.what_ = std::string(what);
  reader.announced_ = schema.rows();
  if (schema.rows() < 0) {
    return absl::InvalidArgumentError(
        absl::StrCat("table of ", what, ": the schema announces ", schema.rows(), " rows"));
  }
  absl::flat_hash_set<absl::string_view> names;
  for (const auto& column : schema.columns()) {
    if (column.name().empty() || !names.insert(column.name()).second) {
      return absl::InvalidArgumentError(absl::StrCat("table of ", what, ": the column name `",
                                                     column.name(), "` is empty or repeated"));
    }
    if (TypeName(column.type()) == "unknown") {
      return absl::InvalidArgumentError(
          absl::StrCat("table of ", what, ": column `", column.name(), "` has no known type"));
    }
    Column& added = reader.table_.columns_.emplace_back();
    added.schema = column;
  }
  reader.table_.thresholds_.assign(schema.thresholds().begin(), schema.thresholds().end());
  return reader;
}

absl::Status TableReader::Add(const analysis::v1::DatasetChunk& chunk) {
  ++chunks_;
  const auto refuse = [this](absl::string_view words) {
    return absl::InvalidArgumentError(
        absl::StrCat("table of ", what_, ", chunk ", chunks_, ": ", words));
  };
  if (chunk.rows() < 1 || chunk.rows() > kMaxRowsInChunk) {
    return refuse(
        absl::StrCat("has ", chunk.rows(), " rows; 1 to ", kMaxRowsInChunk, " are allowed"));
  }
  if (static_cast<std::size_t>(chunk.columns_size()) != table_.columns_.size()) {
    return refuse(absl::StrCat("has ", chunk.columns_size(), " columns; the schema has ",
                               table_.columns_.size()));
  }
  if (table_.rows_ + chunk.rows() > announced_) {
    return refuse(absl::StrCat("brings more rows than the ", announced_, " announced"));
  }
  for (int i = 0; i < chunk.columns_size(); ++i) {
    Column& column = table_.columns_[static_cast<std::size_t>(i)];
    const auto status = AppendColumn(chunk.columns(i), chunk.rows(), column);
    if (!status.ok()) {
      return refuse(absl::StrCat("column `", column.schema.name(), "` ", status.message()));
    }
  }
  table_.rows_ += chunk.rows();
  return absl::OkStatus();
}

absl::StatusOr<UnitTable> TableReader::Finish() && {
  if (table_.rows_ != announced_) {
    return absl::InvalidArgumentError(absl::StrCat(
        "table of ", what_, ": ", announced_, " rows were announced, ", table_.rows_, " came"));
  }
  return std::move(table_);
}

}  // namespace plumule::sdk
