// DigestOf: the canonical bytes of a dataset, hashed as they come.

#include <sodium.h>

#include <bit>
#include <cstdint>
#include <string>
#include <vector>

#include "absl/strings/string_view.h"
#include "server/log/dataset.h"
#include "server/protocol/status_macros.h"

namespace plumule::log {
namespace {

using analysis::v1::ColumnChunk;
using analysis::v1::DatasetChunk;
using analysis::v1::DatasetSchema;

constexpr char kMissing = 0x00;
constexpr char kPresent = 0x01;
constexpr char kRow = 0x02;
constexpr char kEnd = 0x03;

class Hasher {
 public:
  Hasher() { crypto_hash_sha256_init(&state_); }

  void Byte(char byte) { buffer_.push_back(byte); }
  void Number(std::uint64_t number) {
    for (int i = 0; i < 8; ++i) Byte(static_cast<char>((number >> (8 * i)) & 0xff));
  }
  void Text(absl::string_view text) {
    Number(text.size());
    buffer_.append(text.data(), text.size());
    if (buffer_.size() > kEnough) Flush();
  }
  Hash Finish() {
    Flush();
    Hash hash;
    crypto_hash_sha256_final(&state_, hash.data());
    return hash;
  }

 private:
  static constexpr std::size_t kEnough = 64 * 1024;

  void Flush() {
    crypto_hash_sha256_update(&state_, reinterpret_cast<const unsigned char*>(buffer_.data()),
                              buffer_.size());
    buffer_.clear();
  }

  crypto_hash_sha256_state state_;
  std::string buffer_;
};

void AddColumns(const DatasetSchema& schema, Hasher* hasher) {
  hasher->Number(static_cast<std::uint64_t>(schema.columns_size()));
  for (const analysis::v1::ColumnSchema& column : schema.columns()) {
    hasher->Text(column.name());
    hasher->Number(static_cast<std::uint64_t>(column.type()));
    hasher->Text(column.unit());
    hasher->Text(column.label());
  }
}

bool IsThere(const ColumnChunk& column, int row) {
  if (column.validity().empty()) return true;
  const auto byte =
      static_cast<unsigned char>(column.validity()[static_cast<std::size_t>(row / 8)]);
  return (byte >> (row % 8)) & 1;
}

std::uint64_t Bits(double value) { return std::bit_cast<std::uint64_t>(value == 0 ? 0.0 : value); }

void AddValue(const ColumnChunk& column, analysis::v1::ColumnType type, int row,
              const std::vector<std::string>& dictionary, Hasher* hasher) {
  hasher->Byte(kPresent);
  switch (type) {
    case analysis::v1::COLUMN_TYPE_NUMBER:
      return hasher->Number(Bits(column.numbers(row)));
    case analysis::v1::COLUMN_TYPE_COUNT:
    case analysis::v1::COLUMN_TYPE_DATE:
      return hasher->Number(static_cast<std::uint64_t>(column.counts(row)));
    case analysis::v1::COLUMN_TYPE_CODE:
      return hasher->Text(dictionary[static_cast<std::size_t>(column.codes(row))]);
    case analysis::v1::COLUMN_TYPE_YES_NO:
      return hasher->Byte(column.flags(row) ? 1 : 0);
    default:
      return hasher->Text(column.texts(row));
  }
}

// Hashes a table; `blocks`, if given, counts its blocks, which come one after the other.
absl::Status AddTable(DatasetReader& reader, Hasher* hasher, std::int64_t* blocks) {
  const DatasetSchema& schema = reader.schema();
  AddColumns(schema, hasher);
  std::vector<std::vector<std::string>> dictionaries(
      static_cast<std::size_t>(schema.columns_size()));
  DatasetChunk chunk;
  std::int32_t last_block = -1;
  for (;;) {
    PLUMULE_ASSIGN_OR_RETURN(const bool more, reader.Next(&chunk));
    if (!more) break;
    for (int i = 0; i < chunk.columns_size(); ++i) {
      for (const std::string& entry : chunk.columns(i).dictionary()) {
        dictionaries[static_cast<std::size_t>(i)].push_back(entry);
      }
    }
    for (int row = 0; row < chunk.rows(); ++row) {
      hasher->Byte(kRow);
      for (int i = 0; i < chunk.columns_size(); ++i) {
        const ColumnChunk& column = chunk.columns(i);
        if (!IsThere(column, row)) {
          hasher->Byte(kMissing);
        } else {
          AddValue(column, schema.columns(i).type(), row, dictionaries[static_cast<std::size_t>(i)],
                   hasher);
        }
      }
      if (blocks != nullptr && chunk.columns(0).codes(row) != last_block) {
        last_block = chunk.columns(0).codes(row);
        ++*blocks;
      }
    }
  }
  hasher->Byte(kEnd);
  return absl::OkStatus();
}

}  // namespace

absl::StatusOr<DatasetDigest> DigestOf(const Dataset& dataset) {
  DatasetDigest digest;
  Hasher hasher;
  hasher.Text("plumule dataset 1");
  PLUMULE_ASSIGN_OR_RETURN(const auto units, dataset.Units());
  PLUMULE_RETURN_IF_ERROR(AddTable(*units, &hasher, &digest.blocks));
  PLUMULE_ASSIGN_OR_RETURN(const auto looks, dataset.Looks());
  PLUMULE_RETURN_IF_ERROR(AddTable(*looks, &hasher, nullptr));
  digest.digest = hasher.Finish();
  digest.units = units->schema().rows();
  return digest;
}

}  // namespace plumule::log
