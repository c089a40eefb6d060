// Fills the columns of dataset chunks, row by row.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/strings/string_view.h"
#include "plumule/analysis/v1/dataset.pb.h"

namespace plumule::log {

// One column of one table, over all its chunks.
class ColumnBuilder {
 public:
  // Writes into `chunk` from now on.
  void Begin(analysis::v1::ColumnChunk* chunk);

  // The next row's value, by type of the column; no value: it is missing.
  void Number(std::optional<double> value);
  void Count(std::optional<std::int64_t> value);
  void Code(std::optional<absl::string_view> value);
  void YesNo(std::optional<bool> value);
  void Text(std::optional<absl::string_view> value);
  // The type's own way of being missing.
  void Missing(analysis::v1::ColumnType type);

  // Ends the chunk: sets its validity.
  void End();

 private:
  void Row(bool there);

  analysis::v1::ColumnChunk* chunk_ = nullptr;
  std::vector<bool> there_;
  absl::flat_hash_map<std::string, std::int32_t> dictionary_;
};

}  // namespace plumule::log
