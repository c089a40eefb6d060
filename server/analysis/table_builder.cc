#include "server/analysis/table_builder.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "absl/strings/str_cat.h"
#include "server/analysis/utf8.h"

namespace plumule::analysis {
namespace {

constexpr size_t kMaxTextBytes = size_t{64} << 10;

// Bytes that a row adds to a chunk, no less than it really is.
size_t BytesOf(absl::Span<const Cell> cells) {
  size_t bytes = 0;
  for (const Cell& cell : cells) {
    const auto* words = std::get_if<std::string>(&cell);
    bytes += 12 + (words != nullptr ? words->size() : 0);
  }
  return bytes;
}

// Marks the last of `rows` rows as missing. Rows before the first missing one had no bitmap.
void MarkMissing(int rows, v1::ColumnChunk* column) {
  std::string& bits = *column->mutable_validity();
  const size_t row = static_cast<size_t>(rows) - 1;
  if (bits.empty()) {
    bits.assign(row / 8 + 1, '\0');
    for (size_t i = 0; i < row; ++i) bits[i / 8] = static_cast<char>(bits[i / 8] | (1 << (i % 8)));
  }
  bits.resize(row / 8 + 1, '\0');
}

// Marks the last of `rows` rows as present, if there is a bitmap.
void MarkPresent(int rows, v1::ColumnChunk* column) {
  if (column->validity().empty()) return;
  std::string& bits = *column->mutable_validity();
  const size_t row = static_cast<size_t>(rows) - 1;
  bits.resize(row / 8 + 1, '\0');
  bits[row / 8] = static_cast<char>(bits[row / 8] | (1 << (row % 8)));
}

bool FitsType(const Cell& cell, v1::ColumnType type) {
  if (std::holds_alternative<std::monostate>(cell)) return true;
  switch (type) {
    case v1::COLUMN_TYPE_NUMBER:
      return std::holds_alternative<double>(cell);
    case v1::COLUMN_TYPE_COUNT:
    case v1::COLUMN_TYPE_DATE:
      return std::holds_alternative<std::int64_t>(cell);
    case v1::COLUMN_TYPE_YES_NO:
      return std::holds_alternative<bool>(cell);
    case v1::COLUMN_TYPE_CODE:
    case v1::COLUMN_TYPE_TEXT:
      return std::holds_alternative<std::string>(cell);
    default:
      return false;
  }
}

template <typename Content>
Content ValueOr(const Cell& cell, Content otherwise) {
  const auto* value = std::get_if<Content>(&cell);
  return value != nullptr ? *value : otherwise;
}

}  // namespace

TableBuilder::TableBuilder(std::vector<v1::ColumnSchema> columns, int rows_per_chunk)
    : rows_per_chunk_(std::clamp(rows_per_chunk, 1, kMaxChunkRows)), dictionaries_(columns.size()) {
  for (v1::ColumnSchema& column : columns) *table_.schema.add_columns() = std::move(column);
}

TableBuilder& TableBuilder::WithDoseUnit(std::string unit) {
  table_.schema.set_dose_unit(std::move(unit));
  return *this;
}

TableBuilder& TableBuilder::WithThresholds(std::vector<std::string> ids) {
  for (std::string& id : ids) table_.schema.add_thresholds(std::move(id));
  return *this;
}

absl::Status TableBuilder::CheckCell(size_t column, const Cell& cell) const {
  const v1::ColumnSchema& schema = table_.schema.columns(static_cast<int>(column));
  const auto refuse = [&](absl::string_view what) {
    return absl::InvalidArgumentError(
        absl::StrCat("row ", table_.schema.rows() + 1, ", column `", schema.name(), "`: ", what));
  };
  if (!FitsType(cell, schema.type())) {
    return refuse(absl::StrCat("the value is not a ", v1::ColumnType_Name(schema.type())));
  }
  if (!std::isfinite(ValueOr<double>(cell, 0))) return refuse("the number is not finite");
  if (const auto* words = std::get_if<std::string>(&cell)) {
    if (words->size() > kMaxTextBytes) return refuse("the text is longer than 64 KiB");
    if (!IsUtf8(*words)) return refuse("the text is not UTF-8");
  }
  return absl::OkStatus();
}

v1::DatasetChunk* TableBuilder::ChunkWithRoom() {
  if (table_.chunks.empty() || table_.chunks.back().rows() >= rows_per_chunk_ ||
      chunk_bytes_ > kMaxChunkBytes / 2) {
    table_.chunks.emplace_back();
    for (int i = 0; i < table_.schema.columns_size(); ++i) table_.chunks.back().add_columns();
    chunk_bytes_ = 0;
  }
  return &table_.chunks.back();
}

void TableBuilder::AppendCell(size_t column, const Cell& cell, v1::DatasetChunk* chunk) {
  v1::ColumnChunk* out = chunk->mutable_columns(static_cast<int>(column));
  switch (table_.schema.columns(static_cast<int>(column)).type()) {
    case v1::COLUMN_TYPE_NUMBER:
      out->add_numbers(ValueOr<double>(cell, 0));
      break;
    case v1::COLUMN_TYPE_COUNT:
    case v1::COLUMN_TYPE_DATE:
      out->add_counts(ValueOr<std::int64_t>(cell, 0));
      break;
    case v1::COLUMN_TYPE_YES_NO:
      out->add_flags(ValueOr<bool>(cell, false));
      break;
    case v1::COLUMN_TYPE_CODE: {
      if (std::holds_alternative<std::monostate>(cell)) {
        out->add_codes(0);
        break;
      }
      auto& dictionary = dictionaries_[column];
      const auto [entry, is_new] = dictionary.try_emplace(
          std::get<std::string>(cell), static_cast<std::int32_t>(dictionary.size()));
      if (is_new) out->add_dictionary(entry->first);
      out->add_codes(entry->second);
      break;
    }
    default:
      out->add_texts(ValueOr<std::string>(cell, ""));
  }
  if (std::holds_alternative<std::monostate>(cell)) {
    MarkMissing(chunk->rows(), out);
  } else {
    MarkPresent(chunk->rows(), out);
  }
}

absl::Status TableBuilder::AddRow(absl::Span<const Cell> cells) {
  if (cells.size() != dictionaries_.size()) {
    return absl::InvalidArgumentError(absl::StrCat("row ", table_.schema.rows() + 1, " has ",
                                                   cells.size(), " cells for ",
                                                   dictionaries_.size(), " columns"));
  }
  for (size_t i = 0; i < cells.size(); ++i) {
    if (absl::Status fits = CheckCell(i, cells[i]); !fits.ok()) return fits;
  }
  v1::DatasetChunk* chunk = ChunkWithRoom();
  chunk->set_rows(chunk->rows() + 1);
  for (size_t i = 0; i < cells.size(); ++i) AppendCell(i, cells[i], chunk);
  chunk_bytes_ += BytesOf(cells);
  table_.schema.set_rows(table_.schema.rows() + 1);
  return absl::OkStatus();
}

Table TableBuilder::Build() && {
  dictionaries_.clear();
  return std::exchange(table_, {});
}

absl::StatusOr<bool> MemoryTableSource::Next(v1::DatasetChunk* chunk) {
  if (next_ == table_->chunks.size()) return false;
  *chunk = table_->chunks[next_++];
  return true;
}

MemoryDataset::MemoryDataset(Table units, std::optional<Table> looks)
    : units_(std::move(units)),
      looks_(std::move(looks)),
      units_source_(&units_),
      looks_source_(looks_ ? &*looks_ : &units_) {}

v1::ColumnSchema Column(absl::string_view name, v1::ColumnType type, absl::string_view unit,
                        absl::string_view label) {
  v1::ColumnSchema column;
  column.set_name(std::string(name));
  column.set_type(type);
  column.set_unit(std::string(unit));
  column.set_label(std::string(label));
  return column;
}

}  // namespace plumule::analysis
