// The readers of a dataset's two tables.
#pragma once

#include <cstdint>
#include <memory>

#include "absl/status/statusor.h"
#include "server/log/dataset.h"
#include "server/protocol/compiled_protocol.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::log {

// What the readers read: all of it outlives them.
struct DatasetView {
  const store::Reader& reader;
  const store::StudyName& study;
  std::int64_t log_sequence;
  const protocol::CompiledProtocol& protocol;
};

// `rows` is what the schema says; the reader does not count them again.
std::unique_ptr<DatasetReader> ReadUnits(const DatasetView& view, std::int64_t rows);
std::unique_ptr<DatasetReader> ReadLooks(const DatasetView& view, std::int64_t rows);

}  // namespace plumule::log
