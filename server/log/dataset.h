// The tables of a closed study, as plumule/analysis/v1/dataset.proto lays them out.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "plumule/analysis/v1/dataset.pb.h"
#include "plumule/plugin/v1/plugin.pb.h"
#include "server/log/chain.h"
#include "server/protocol/compiled_protocol.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::log {

// Where a chunk ends. The defaults stay well below what a message to a plugin may hold.
struct ChunkLimits {
  // At least 1.
  int rows = 8192;
  // As serialized; a row that alone is larger has a chunk of its own.
  std::size_t bytes = std::size_t{2} << 20;
};

// Reads one table from front to back. One thread at a time. Memory: one chunk, about as much of
// state, and the codes that have come so far, whatever the size of the table.
class DatasetReader {
 public:
  virtual ~DatasetReader() = default;

  // Columns, and the number of rows in all.
  virtual const analysis::v1::DatasetSchema& schema() const = 0;
  // The next rows, in the place of what `chunk` held. False after the last.
  virtual absl::StatusOr<bool> Next(analysis::v1::DatasetChunk* chunk) = 0;
};

// A closed study as of a position of its log, as any order of arrival of the same facts gives it.
//
// Columns and the rules that need several records follow the newest revision of the protocol, for
// all units alike; what a record broke by itself was judged by its own revision. A unit is in the
// primary set unless some such deviation of it, its block or its grower leaves it. Units of growers
// who withdrew without leaving their records, and units that the organizer left out, are not in it.
// Any thread.
class Dataset {
 public:
  // `log_sequence` is a freeze's; 0 means the head. Takes its snapshot of `store` when opened,
  // which must outlive it. One pass over the units. NOT_FOUND (`study_not_found`),
  // FAILED_PRECONDITION (`study_not_closed`) unless the study was closed at or before
  // `log_sequence`: only exclusions can follow, and those after it are disregarded.
  static absl::StatusOr<std::unique_ptr<Dataset>> Open(const store::Store& store,
                                                       const store::StudyName& study,
                                                       std::int64_t log_sequence,
                                                       ChunkLimits limits = {});
  virtual ~Dataset() = default;

  // The position that it was opened at.
  virtual std::int64_t log_sequence() const = 0;
  // The newest revision, which names the columns.
  virtual const protocol::CompiledProtocol& protocol() const = 0;
  // One row a unit, by block, then unit, bytewise. The dataset must outlive the reader.
  virtual absl::StatusOr<std::unique_ptr<DatasetReader>> Units() const = 0;
  // One row a look, by block, unit, day.
  virtual absl::StatusOr<std::unique_ptr<DatasetReader>> Looks() const = 0;
  // What was before units, and what was left out and why. Deviations are those of the units in the
  // dataset. Reasons and rules come in bytewise order. One pass over the units.
  virtual absl::StatusOr<plugin::v1::StudyCounts> Counts() const = 0;
};

// What a freeze states of a dataset.
struct DatasetDigest {
  Hash digest{};
  std::int64_t units = 0;
  std::int64_t blocks = 0;
};

// SHA-256 over the canonical bytes of units and looks, as dataset.proto defines them, whatever the
// size of their chunks. One pass over either table. Memory: as two readers.
absl::StatusOr<DatasetDigest> DigestOf(const Dataset& dataset);

}  // namespace plumule::log
