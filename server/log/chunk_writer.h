// Fills the columns of a chunk row by row.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/strings/string_view.h"
#include "plumule/analysis/v1/dataset.pb.h"
#include "server/protocol/compiled_protocol.h"

namespace plumule::log {

// One chunk after another of one table. Each row is one call for each column, in order, then EndRow.
class ChunkWriter {
 public:
  explicit ChunkWriter(const analysis::v1::DatasetSchema& schema);

  // Begins a chunk in the place of what `chunk` held.
  void Begin(analysis::v1::DatasetChunk* chunk);

  void Missing();
  void Number(double value);
  void Code(absl::string_view code);
  void YesNo(bool value);
  // An answer to `variable`, by the type of the column; absent: missing.
  void Answer(const protocol::CompiledProtocol& protocol, int variable,
              const std::optional<protocol::CanonicalValue>& value);
  void EndRow();

  int rows() const { return rows_; }
  // About the size of the chunk so far.
  std::size_t bytes() const { return bytes_; }

 private:
  // The next column, for a row with or without a value.
  analysis::v1::ColumnChunk& Take(bool present);
  void Count(std::int64_t value);
  void Text(absl::string_view text);

  const analysis::v1::DatasetSchema& schema_;
  std::vector<absl::flat_hash_map<std::string, std::int32_t>> dictionaries_;
  analysis::v1::DatasetChunk* chunk_ = nullptr;
  int column_ = 0;
  int rows_ = 0;
  std::size_t bytes_ = 0;
};

}  // namespace plumule::log
