// What an analysis reads: the tables of one dataset, pulled chunk by chunk.
//
// Implemented by the server's frozen datasets and by local tables (table_builder.h).
#pragma once

#include "absl/status/statusor.h"
#include "plumule/analysis/v1/dataset.pb.h"

namespace plumule::analysis {

// One table, read once from its first row to its last. Not thread-safe; may be used from another
// thread than the one that made it.
class TableSource {
 public:
  virtual ~TableSource() = default;

  // The columns and the number of rows. Stays valid and the same while the source lives.
  virtual const v1::DatasetSchema& schema() const = 0;

  // Puts the next 1 to 65,536 rows into `*chunk`, whose earlier content is lost, and returns true;
  // returns false after the last row. A chunk serializes to at most kMaxChunkBytes.
  // After an error the source is not used again.
  virtual absl::StatusOr<bool> Next(v1::DatasetChunk* chunk) = 0;
};

// Most rows of a chunk.
inline constexpr int kMaxChunkRows = 65536;
// Most bytes of a serialized chunk: well below the limit of a plugin message.
inline constexpr size_t kMaxChunkBytes = size_t{8} << 20;

// The tables of one dataset.
class DatasetSource {
 public:
  virtual ~DatasetSource() = default;

  // One row a unit, as dataset.proto says. Owned by this.
  virtual TableSource& units() = 0;

  // One row an observation; null if the dataset has no looks. Owned by this.
  virtual TableSource* looks() = 0;
};

}  // namespace plumule::analysis
