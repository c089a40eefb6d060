#include "server/log/chunk_builder.h"

#include <algorithm>

namespace plumule::log {

void ColumnBuilder::Begin(analysis::v1::ColumnChunk* chunk) {
  chunk_ = chunk;
  there_.clear();
}

void ColumnBuilder::Row(bool there) { there_.push_back(there); }

void ColumnBuilder::Number(std::optional<double> value) {
  Row(value.has_value());
  chunk_->add_numbers(value.value_or(0));
}

void ColumnBuilder::Count(std::optional<std::int64_t> value) {
  Row(value.has_value());
  chunk_->add_counts(value.value_or(0));
}

void ColumnBuilder::Code(std::optional<absl::string_view> value) {
  Row(value.has_value());
  if (!value) return chunk_->add_codes(0);
  const auto next = static_cast<std::int32_t>(dictionary_.size());
  const auto [found, added] = dictionary_.try_emplace(*value, next);
  if (added) chunk_->add_dictionary(found->first);
  chunk_->add_codes(found->second);
}

void ColumnBuilder::YesNo(std::optional<bool> value) {
  Row(value.has_value());
  chunk_->add_flags(value.value_or(false));
}

void ColumnBuilder::Text(std::optional<absl::string_view> value) {
  Row(value.has_value());
  chunk_->add_texts(std::string(value.value_or("")));
}

void ColumnBuilder::Missing(analysis::v1::ColumnType type) {
  switch (type) {
    case analysis::v1::COLUMN_TYPE_NUMBER:
      return Number(std::nullopt);
    case analysis::v1::COLUMN_TYPE_COUNT:
    case analysis::v1::COLUMN_TYPE_DATE:
      return Count(std::nullopt);
    case analysis::v1::COLUMN_TYPE_CODE:
      return Code(std::nullopt);
    case analysis::v1::COLUMN_TYPE_YES_NO:
      return YesNo(std::nullopt);
    default:
      return Text(std::nullopt);
  }
}

void ColumnBuilder::End() {
  if (std::find(there_.begin(), there_.end(), false) == there_.end()) return;
  std::string bits((there_.size() + 7) / 8, '\0');
  for (std::size_t row = 0; row < there_.size(); ++row) {
    if (there_[row]) bits[row / 8] = static_cast<char>(bits[row / 8] | (1 << (row % 8)));
  }
  chunk_->set_validity(std::move(bits));
}

}  // namespace plumule::log
