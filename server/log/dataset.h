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

// Rows of one chunk at most.
inline constexpr int kChunkRows = 8192;

// Reads one table from front to back. One thread at a time. Memory: one chunk, whatever the size of
// the table. Columns follow the newest revision of the protocol; units of growers who withdrew
// without leaving their records, and units left out by the organizer, are not in it.
class DatasetReader {
 public:
  virtual ~DatasetReader() = default;

  // Columns, and the number of rows in all.
  virtual const analysis::v1::DatasetSchema& schema() const = 0;
  // The next rows, in the place of what `chunk` held. False after the last.
  virtual absl::StatusOr<bool> Next(analysis::v1::DatasetChunk* chunk) = 0;
};

// A closed study as of a position of its log.
class Dataset {
 public:
  // `log_sequence` is a freeze's; 0 means the head. Takes its snapshot of `store` when opened, which
  // must outlive it. FAILED_PRECONDITION (`study_not_closed`) unless the study was closed at or
  // before `log_sequence`: only exclusions can follow, and those after it are disregarded.
  static absl::StatusOr<std::unique_ptr<Dataset>> Open(const store::Store& store,
                                                       const store::StudyName& study,
                                                       std::int64_t log_sequence);
  virtual ~Dataset() = default;

  // The position that it was opened at.
  virtual std::int64_t log_sequence() const = 0;
  // The newest revision, which names the columns.
  virtual const protocol::CompiledProtocol& protocol() const = 0;
  // One row a unit, by block, then unit, bytewise. The dataset must outlive the reader.
  virtual absl::StatusOr<std::unique_ptr<DatasetReader>> Units() const = 0;
  // One row a look, by block, unit, day.
  virtual absl::StatusOr<std::unique_ptr<DatasetReader>> Looks() const = 0;
  // What was before units, and what was left out and why. One pass over the units.
  virtual absl::StatusOr<plugin::v1::StudyCounts> Counts() const = 0;
};

// What a freeze states of a dataset.
struct DatasetDigest {
  Hash digest{};
  std::int64_t units = 0;
  std::int64_t blocks = 0;
};

// SHA-256 over the canonical bytes of units and looks, whatever the size of their chunks:
//
//   text     := length (8 bytes little endian), bytes
//   table    := "plumule dataset 1" as text, then for each of units, looks: columns, rows
//   columns  := number of columns (8 bytes), each: name, type (8 bytes), unit, label as text
//   row      := for each column: 0x00 if missing, else 0x01 and the value
//   value    := number: IEEE 754 bits, −0 as 0; count and date: two's complement; both 8 bytes
//               little endian. yes/no: 1 byte. code and text: text.
//   rows     := 0x02 and a row, again and again, then 0x03
absl::StatusOr<DatasetDigest> DigestOf(const Dataset& dataset);

}  // namespace plumule::log
