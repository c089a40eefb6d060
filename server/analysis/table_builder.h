// Tables in memory: what local files and tests hand to an analysis.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <variant>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "absl/types/span.h"
#include "plumule/analysis/v1/dataset.pb.h"
#include "server/analysis/dataset_source.h"

namespace plumule::analysis {

// A whole table in memory.
struct Table {
  v1::DatasetSchema schema;
  std::vector<v1::DatasetChunk> chunks;
};

// One value of a row: missing; NUMBER; COUNT or DATE (days since 1970-01-01); YES_NO; CODE or TEXT.
using Cell = std::variant<std::monostate, double, std::int64_t, bool, std::string>;

// Builds a Table row by row, in the order in which the rows are added. Dictionaries list codes by
// first appearance. Not thread-safe.
class TableBuilder {
 public:
  // An empty table of these columns. `rows_per_chunk` is 1 to kMaxChunkRows.
  explicit TableBuilder(std::vector<v1::ColumnSchema> columns, int rows_per_chunk = kMaxChunkRows);

  // Sets what the schema says beside its columns: the UCUM unit of `dose` and the thresholds' ids.
  TableBuilder& WithDoseUnit(std::string unit);
  TableBuilder& WithThresholds(std::vector<std::string> ids);

  // Adds one row: one cell a column. INVALID_ARGUMENT, with nothing added, if the number of cells
  // or the kind of one does not fit, if a number is not finite, or if words are not UTF-8 or longer
  // than 64 KiB.
  absl::Status AddRow(absl::Span<const Cell> cells);

  // The table so far; the builder is empty afterwards.
  Table Build() &&;

 private:
  absl::Status CheckCell(size_t column, const Cell& cell) const;
  void AppendCell(size_t column, const Cell& cell, v1::DatasetChunk* chunk);
  v1::DatasetChunk* ChunkWithRoom();

  Table table_;
  const int rows_per_chunk_;
  size_t chunk_bytes_ = 0;
  // By column: codes seen so far, with their index.
  std::vector<std::map<std::string, std::int32_t, std::less<>>> dictionaries_;
};

// Reads a table that lies in memory. The table must outlive it.
class MemoryTableSource final : public TableSource {
 public:
  explicit MemoryTableSource(const Table* table) : table_(table) {}
  const v1::DatasetSchema& schema() const override { return table_->schema; }
  absl::StatusOr<bool> Next(v1::DatasetChunk* chunk) override;

 private:
  const Table* const table_;
  size_t next_ = 0;
};

// A dataset in memory. Owns its tables.
class MemoryDataset final : public DatasetSource {
 public:
  explicit MemoryDataset(Table units, std::optional<Table> looks = std::nullopt);
  MemoryDataset(const MemoryDataset&) = delete;
  MemoryDataset& operator=(const MemoryDataset&) = delete;

  TableSource& units() override { return units_source_; }
  TableSource* looks() override { return looks_ ? &looks_source_ : nullptr; }

 private:
  const Table units_;
  const std::optional<Table> looks_;
  MemoryTableSource units_source_;
  MemoryTableSource looks_source_;
};

// A column's schema, in one expression.
v1::ColumnSchema Column(absl::string_view name, v1::ColumnType type, absl::string_view unit = "",
                        absl::string_view label = "");

}  // namespace plumule::analysis
