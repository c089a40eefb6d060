#include <sodium.h>

#include <bit>
#include <cstdint>
#include <string>
#include <vector>

#include "server/log/dataset.h"
#include "server/protocol/status_macros.h"

namespace plumule::log {
namespace {

using analysis::v1::ColumnChunk;
using analysis::v1::ColumnSchema;
using analysis::v1::DatasetChunk;
using analysis::v1::DatasetSchema;

// SHA-256 of what was added so far, in the pieces that dataset.h names.
class CanonicalBytes {
 public:
  CanonicalBytes() { crypto_hash_sha256_init(&state_); }

  void Byte(unsigned char byte) { buffer_.push_back(static_cast<char>(byte)); }

  void Number(std::uint64_t number) {
    for (int byte = 0; byte < 8; ++byte) Byte(static_cast<unsigned char>(number >> (8 * byte)));
  }

  void Text(const std::string& text) {
    Number(text.size());
    buffer_.append(text);
    Flush(1 << 16);
  }

  Hash Finish() {
    Flush(0);
    Hash hash;
    crypto_hash_sha256_final(&state_, hash.data());
    return hash;
  }

 private:
  void Flush(std::size_t limit) {
    if (buffer_.size() < limit) return;
    crypto_hash_sha256_update(&state_, reinterpret_cast<const unsigned char*>(buffer_.data()),
                              buffer_.size());
    buffer_.clear();
  }

  crypto_hash_sha256_state state_;
  std::string buffer_;
};

bool Present(const ColumnChunk& column, int row) {
  return column.validity().empty() ||
         ((column.validity()[static_cast<std::size_t>(row / 8)] >> (row % 8)) & 1) != 0;
}

void AddValue(const ColumnSchema& schema, const ColumnChunk& column,
              const std::vector<std::string>& dictionary, int row, CanonicalBytes* bytes) {
  switch (schema.type()) {
    case analysis::v1::COLUMN_TYPE_NUMBER: {
      const double number = column.numbers(row);
      bytes->Number(std::bit_cast<std::uint64_t>(number == 0 ? 0.0 : number));
      return;
    }
    case analysis::v1::COLUMN_TYPE_CODE:
      bytes->Text(dictionary[static_cast<std::size_t>(column.codes(row))]);
      return;
    case analysis::v1::COLUMN_TYPE_YES_NO:
      bytes->Byte(column.flags(row) ? 1 : 0);
      return;
    case analysis::v1::COLUMN_TYPE_TEXT:
      bytes->Text(column.texts(row));
      return;
    default:
      bytes->Number(static_cast<std::uint64_t>(column.counts(row)));
  }
}

// Adds one table. If `blocks` is given, counts how often the first column changes.
absl::Status AddTable(DatasetReader& reader, CanonicalBytes* bytes, std::int64_t* rows,
                      std::int64_t* blocks) {
  const DatasetSchema& schema = reader.schema();
  bytes->Number(static_cast<std::uint64_t>(schema.columns_size()));
  for (const ColumnSchema& column : schema.columns()) {
    bytes->Text(column.name());
    bytes->Number(static_cast<std::uint64_t>(column.type()));
    bytes->Text(column.unit());
    bytes->Text(column.label());
  }
  std::vector<std::vector<std::string>> dictionaries(
      static_cast<std::size_t>(schema.columns_size()));
  std::int32_t last_block = -1;
  DatasetChunk chunk;
  for (;;) {
    PLUMULE_ASSIGN_OR_RETURN(const bool more, reader.Next(&chunk));
    if (!more) break;
    for (int i = 0; i < schema.columns_size(); ++i) {
      auto& dictionary = dictionaries[static_cast<std::size_t>(i)];
      dictionary.insert(dictionary.end(), chunk.columns(i).dictionary().begin(),
                        chunk.columns(i).dictionary().end());
    }
    for (int row = 0; row < chunk.rows(); ++row) {
      bytes->Byte(2);
      for (int i = 0; i < schema.columns_size(); ++i) {
        const bool present = Present(chunk.columns(i), row);
        bytes->Byte(present ? 1 : 0);
        if (!present) continue;
        AddValue(schema.columns(i), chunk.columns(i), dictionaries[static_cast<std::size_t>(i)],
                 row, bytes);
      }
      const std::int32_t block = chunk.columns(0).codes(row);
      if (blocks != nullptr && block != last_block) ++*blocks;
      last_block = block;
      if (rows != nullptr) ++*rows;
    }
  }
  bytes->Byte(3);
  return absl::OkStatus();
}

}  // namespace

absl::StatusOr<DatasetDigest> DigestOf(const Dataset& dataset) {
  DatasetDigest digest;
  CanonicalBytes bytes;
  bytes.Text("plumule dataset 1");
  PLUMULE_ASSIGN_OR_RETURN(const std::unique_ptr<DatasetReader> units, dataset.Units());
  PLUMULE_RETURN_IF_ERROR(AddTable(*units, &bytes, &digest.units, &digest.blocks));
  PLUMULE_ASSIGN_OR_RETURN(const std::unique_ptr<DatasetReader> looks, dataset.Looks());
  PLUMULE_RETURN_IF_ERROR(AddTable(*looks, &bytes, nullptr, nullptr));
  digest.digest = bytes.Finish();
  return digest;
}

}  // namespace plumule::log
