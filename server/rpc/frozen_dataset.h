// The dataset of a freeze, in the form that analyses read.
#pragma once

#include <memory>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "server/access/resource_name.h"
#include "server/analysis/dataset_source.h"
#include "server/analysis/runs.h"
#include "server/store/store.h"

namespace plumule::rpc {

// A freeze's number as it stands at the end of its name. NOT_FOUND (`freeze_not_found`) for what is
// no number from 1.
absl::StatusOr<std::int64_t> FreezeNumber(const access::ResourceName& freeze);

// The tables of a freeze. One thread at a time.
class FrozenDataset : public analysis::DatasetSource {
 public:
  // The looks, even where there are none: with a schema and no rows.
  virtual analysis::TableSource& looks_table() = 0;
};

// Opens both tables of a freeze. `store` must outlive it. NOT_FOUND
// (`freeze_not_found`, `study_not_found`), and errors of the store.
absl::StatusOr<std::unique_ptr<FrozenDataset>> OpenFrozenDataset(
    const store::Store& store, const access::ResourceName& freeze);

// What Runs needs to run one analysis of a freeze, which may be of any community: whoever asks was
// admitted before. NOT_FOUND (`analysis_not_found`), and those above. One pass over the units.
absl::StatusOr<analysis::PreparedAnalysis> PrepareFrozen(const store::Store& store,
                                                         absl::string_view freeze,
                                                         absl::string_view analysis);

}  // namespace plumule::rpc
