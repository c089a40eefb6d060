#ifndef PLUMULE_PLUGINS_SDK_UNIT_TABLE_H_
#define PLUMULE_PLUGINS_SDK_UNIT_TABLE_H_

#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "plumule/analysis/v1/dataset.pb.h"

namespace plumule::sdk {

// One column of a table. `present` has one entry a row; of the value arrays only the one that
// belongs to `schema.type()` is filled, one entry a row, 0 or empty where nothing is present.
struct Column {
  analysis::v1::ColumnSchema schema;
  std::vector<std::uint8_t> present;
  std::vector<double> numbers;          // NUMBER
  std::vector<std::int64_t> counts;     // COUNT; DATE as days since 1970-01-01
  std::vector<std::int32_t> codes;      // CODE: index into `dictionary`
  std::vector<std::string> dictionary;  // CODE: distinct, in the order they came
  std::vector<std::uint8_t> flags;      // YES_NO
  std::vector<std::string> texts;       // TEXT
};

// A dataset in columns: units, or looks. Plain values; safe to read from any number of threads.
class UnitTable {
 public:
  UnitTable() = default;

  std::int64_t rows() const { return rows_; }
  std::span<const Column> columns() const { return columns_; }
  std::span<const std::string> thresholds() const { return thresholds_; }

  // Null where there is no such column. O(columns).
  const Column* Find(absl::string_view name) const;

  // The column of that name and type; NOT_FOUND or INVALID_ARGUMENT in words otherwise.
  absl::StatusOr<const Column*> Typed(absl::string_view name, analysis::v1::ColumnType type) const;

 private:
  friend class TableReader;
  std::vector<Column> columns_;
  std::vector<std::string> thresholds_;
  std::int64_t rows_ = 0;
};

// Collects a schema and its chunks into a table. Refuses with INVALID_ARGUMENT, naming chunk,
// column and row, whatever does not fit analysis/v1/dataset.proto: unknown types, repeated names,
// columns of another number or length, values of another type, validity of another length, codes
// outside the dictionary, repeated dictionary entries, numbers that are not finite, rows other than
// announced. After a refusal the reader must not be used again. Not thread-safe.
class TableReader {
 public:
  // `what` names the table in messages: "units", "looks".
  static absl::StatusOr<TableReader> Make(const analysis::v1::DatasetSchema& schema,
                                          absl::string_view what);

  // O(rows × columns).
  absl::Status Add(const analysis::v1::DatasetChunk& chunk);

  // The table; all announced rows must have come.
  absl::StatusOr<UnitTable> Finish() &&;

 private:
  TableReader() = default;
  std::string what_;
  std::int64_t announced_ = 0;
  int chunks_ = 0;
  UnitTable table_;
};

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_UNIT_TABLE_H_
