#include "server/log/chunk_writer.h"

#include <utility>
#include <variant>

#include "absl/strings/str_cat.h"
#include "server/log/days.h"

namespace plumule::log {
namespace {

using analysis::v1::ColumnChunk;
using protocol::CompiledProtocol;

// The codes of a choice as one: joined by `+`, with `other` for words beside the options.
std::string JoinedCodes(const study::v1::ChoiceType& choice, const protocol::ChosenCodes& chosen) {
  std::string joined;
  const auto add = [&](absl::string_view code) {
    absl::StrAppend(&joined, joined.empty() ? "" : "+", code);
  };
  for (const int option : chosen.options) add(choice.options(option).code());
  if (!chosen.other.empty()) add("other");
  return joined;
}

// Appends a bit; `rows` have been there before.
void AppendBit(int rows, bool bit, std::string* bits) {
  if (rows % 8 == 0) bits->push_back('\0');
  if (bit) bits->back() = static_cast<char>(bits->back() | (1 << (rows % 8)));
}

}  // namespace

ChunkWriter::ChunkWriter(const analysis::v1::DatasetSchema& schema)
    : schema_(schema), dictionaries_(static_cast<std::size_t>(schema.columns_size())) {}

void ChunkWriter::Begin(analysis::v1::DatasetChunk* chunk) {
  chunk_ = chunk;
  chunk_->Clear();
  for (int i = 0; i < schema_.columns_size(); ++i) chunk_->add_columns();
  column_ = rows_ = 0;
  bytes_ = 0;
}

ColumnChunk& ChunkWriter::Take(bool present) {
  ColumnChunk& column = *chunk_->mutable_columns(column_++);
  std::string& validity = *column.mutable_validity();
  // No bits while nothing is missing; all of them from the first that is.
  if (!present && validity.empty()) {
    for (int row = 0; row < rows_; ++row) AppendBit(row, true, &validity);
    AppendBit(rows_, false, &validity);
  } else if (!validity.empty()) {
    AppendBit(rows_, present, &validity);
  }
  return column;
}

void ChunkWriter::Missing() {
  const analysis::v1::ColumnType type = schema_.columns(column_).type();
  const std::size_t index = static_cast<std::size_t>(column_);
  ColumnChunk& column = Take(false);
  switch (type) {
    case analysis::v1::COLUMN_TYPE_NUMBER:
      column.add_numbers(0);
      break;
    case analysis::v1::COLUMN_TYPE_YES_NO:
      column.add_flags(false);
      break;
    case analysis::v1::COLUMN_TYPE_TEXT:
      column.add_texts();
      break;
    case analysis::v1::COLUMN_TYPE_CODE:
      // Index 0 must exist for the place of a missing value.
      if (dictionaries_[index].empty()) {
        dictionaries_[index].emplace("", 0);
        column.add_dictionary("");
      }
      column.add_codes(0);
      break;
    default:
      column.add_counts(0);
  }
}

void ChunkWriter::Number(double value) {
  Take(true).add_numbers(value);
  bytes_ += sizeof value;
}

void ChunkWriter::Count(std::int64_t value) {
  Take(true).add_counts(value);
  bytes_ += sizeof value;
}

void ChunkWriter::YesNo(bool value) {
  Take(true).add_flags(value);
  ++bytes_;
}

void ChunkWriter::Text(absl::string_view text) {
  Take(true).add_texts(std::string(text));
  bytes_ += text.size() + 4;
}

void ChunkWriter::Code(absl::string_view code) {
  auto& dictionary = dictionaries_[static_cast<std::size_t>(column_)];
  ColumnChunk& column = Take(true);
  const auto [entry, added] =
      dictionary.try_emplace(code, static_cast<std::int32_t>(dictionary.size()));
  if (added) {
    column.add_dictionary(std::string(code));
    bytes_ += code.size() + 4;
  }
  column.add_codes(entry->second);
  bytes_ += 4;
}

void ChunkWriter::Answer(const CompiledProtocol& protocol, int variable,
                         const std::optional<protocol::CanonicalValue>& value) {
  if (!value) {
    Missing();
  } else if (const double* number = std::get_if<double>(&*value)) {
    Number(*number);
  } else if (const std::int64_t* count = std::get_if<std::int64_t>(&*value)) {
    Count(*count);
  } else if (const absl::CivilDay* day = std::get_if<absl::CivilDay>(&*value)) {
    Count(DayNumber(*day));
  } else if (const bool* yes = std::get_if<bool>(&*value)) {
    YesNo(*yes);
  } else if (const auto* chosen = std::get_if<protocol::ChosenCodes>(&*value)) {
    Code(JoinedCodes(protocol.variable(variable).choice(), *chosen));
  } else if (protocol.variable(variable).has_text()) {
    Text(std::get<std::string>(*value));
  } else {
    Code(std::get<std::string>(*value));
  }
}

void ChunkWriter::EndRow() {
  ++rows_;
  chunk_->set_rows(rows_);
  column_ = 0;
}

}  // namespace plumule::log
