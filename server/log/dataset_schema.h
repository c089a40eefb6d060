// Which columns a study's tables have.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "plumule/analysis/v1/dataset.pb.h"
#include "server/protocol/compiled_protocol.h"

namespace plumule::log {

// What a column holds.
struct DatasetColumn {
  enum class Content {
    kBlock,
    kUnit,
    kArm,
    kDose,
    kInPrimary,
    kDay,
    kVariable,
    kLower,
    kUpper,
    kStatus,
  };
  Content content = Content::kBlock;
  // Variable or threshold.
  int handle = protocol::kNone;
};

// A table's layout: the columns as sent, and what to fill them with, in the same order.
struct TableLayout {
  analysis::v1::DatasetSchema schema;
  std::vector<DatasetColumn> columns;
};

// `schema.rows` is left 0.
TableLayout UnitsLayout(const protocol::CompiledProtocol& protocol);
TableLayout LooksLayout(const protocol::CompiledProtocol& protocol);

// Doses of the arms by handle, in the schema's `dose_unit`; absent where an arm has none.
std::vector<std::optional<double>> DosesOf(const protocol::CompiledProtocol& protocol);

}  // namespace plumule::log
