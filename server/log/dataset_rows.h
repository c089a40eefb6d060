// The rows of a study's tables.
#pragma once

#include <memory>

#include "server/log/dataset.h"
#include "server/log/dataset_schema.h"
#include "server/protocol/compiled_protocol.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::log {

// What tables are read from. What it points to outlives the readers.
struct DatasetOrigin {
  const store::Reader& reader;
  const store::StudyName& study;
  const protocol::CompiledProtocol& protocol;
  std::int64_t log_sequence;
  ChunkLimits limits;
};

// Each reads a table of this layout, whose schema knows the number of rows.
std::unique_ptr<DatasetReader> ReadUnits(const DatasetOrigin& origin, TableLayout layout);
std::unique_ptr<DatasetReader> ReadLooks(const DatasetOrigin& origin, TableLayout layout);

}  // namespace plumule::log
