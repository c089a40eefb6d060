#include "server/rpc/frozen_dataset.h"

#include <string>
#include <utility>

#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "server/log/dataset.h"
#include "server/log/study_reader.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"

namespace plumule::rpc {
namespace {

using access::ResourceKind;
using access::ResourceName;

// One table of the log's dataset as an analysis's.
class FrozenTable : public analysis::TableSource {
 public:
  explicit FrozenTable(std::unique_ptr<log::DatasetReader> reader) : reader_(std::move(reader)) {}

  const analysis::v1::DatasetSchema& schema() const override { return reader_->schema(); }
  absl::StatusOr<bool> Next(analysis::v1::DatasetChunk* chunk) override {
    return reader_->Next(chunk);
  }

 private:
  std::unique_ptr<log::DatasetReader> reader_;
};

class BothTables : public FrozenDataset {
 public:
  BothTables(std::unique_ptr<log::Dataset> dataset, std::unique_ptr<log::DatasetReader> units,
             std::unique_ptr<log::DatasetReader> looks)
      : dataset_(std::move(dataset)), units_(std::move(units)), looks_(std::move(looks)) {}

  analysis::TableSource& units() override { return units_; }
  analysis::TableSource& looks_table() override { return looks_; }
  analysis::TableSource* looks() override { return looks_.schema().rows() > 0 ? &looks_ : nullptr; }

 private:
  // Outlives its readers.
  std::unique_ptr<log::Dataset> dataset_;
  FrozenTable units_;
  FrozenTable looks_;
};

absl::StatusOr<study::v1::Freeze> ReadFreezeOf(const store::Store& store,
                                               const ResourceName& name) {
  PLUMULE_ASSIGN_OR_RETURN(const std::int64_t number, FreezeNumber(name));
  return log::ReadFreeze(store, name.study_name(), number);
}

absl::StatusOr<std::unique_ptr<log::Dataset>> OpenDataset(const store::Store& store,
                                                          const ResourceName& name) {
  PLUMULE_ASSIGN_OR_RETURN(const study::v1::Freeze freeze, ReadFreezeOf(store, name));
  return log::Dataset::Open(store, name.study_name(), freeze.log_sequence());
}

absl::StatusOr<study::v1::Analysis> FindAnalysis(const study::v1::Protocol& protocol,
                                                 absl::string_view id) {
  for (const study::v1::Analysis& analysis : protocol.analyses()) {
    if (analysis.id() == id) return analysis;
  }
  return WithMetadata(
      ReasonedError(absl::StatusCode::kNotFound, "analysis_not_found",
                    absl::StrCat("the protocol has no analysis `", id, "`; GetProtocol lists them"),
                    {{"analysis", "analysis_not_found", "Give the id of a declared analysis."}}),
      "analysis", id);
}

// Labels stay, since results are read by people; the study's long texts are not an analysis's.
study::v1::Protocol WithoutLongWords(study::v1::Protocol protocol) {
  study::v1::Words words;
  *words.mutable_title() = protocol.words().title();
  words.set_expected_better_arm(protocol.words().expected_better_arm());
  *protocol.mutable_words() = std::move(words);
  for (study::v1::Arm& arm : *protocol.mutable_arms()) arm.clear_instructions();
  return protocol;
}

}  // namespace

absl::StatusOr<std::int64_t> FreezeNumber(const ResourceName& freeze) {
  std::int64_t number = 0;
  if (absl::SimpleAtoi(freeze.leaf, &number) && number > 0 && absl::StrCat(number) == freeze.leaf) {
    return number;
  }
  return WithMetadata(ReasonedError(absl::StatusCode::kNotFound, "freeze_not_found",
                                    absl::StrCat("there is no freeze `", freeze.Format(),
                                                 "`; ListFreezes names them")),
                      "freeze", freeze.Format());
}

absl::StatusOr<std::unique_ptr<FrozenDataset>> OpenFrozenDataset(const store::Store& store,
                                                                 const ResourceName& freeze) {
  PLUMULE_ASSIGN_OR_RETURN(std::unique_ptr<log::Dataset> dataset, OpenDataset(store, freeze));
  PLUMULE_ASSIGN_OR_RETURN(std::unique_ptr<log::DatasetReader> units, dataset->Units());
  PLUMULE_ASSIGN_OR_RETURN(std::unique_ptr<log::DatasetReader> looks, dataset->Looks());
  return std::make_unique<BothTables>(std::move(dataset), std::move(units), std::move(looks));
}

absl::StatusOr<analysis::PreparedAnalysis> PrepareFrozen(const store::Store& store,
                                                         absl::string_view freeze,
                                                         absl::string_view analysis) {
  PLUMULE_ASSIGN_OR_RETURN(const ResourceName name,
                           access::ParseResourceName(ResourceKind::kFreeze, "freeze", freeze));
  PLUMULE_ASSIGN_OR_RETURN(const study::v1::Freeze frozen, ReadFreezeOf(store, name));
  PLUMULE_ASSIGN_OR_RETURN(log::PublishedProtocol published,
                           log::ReadProtocol(store, name.study_name(), 0));
  analysis::PreparedAnalysis prepared;
  PLUMULE_ASSIGN_OR_RETURN(*prepared.setup.mutable_analysis(),
                           FindAnalysis(published.protocol, analysis));
  PLUMULE_ASSIGN_OR_RETURN(const std::unique_ptr<log::Dataset> dataset, OpenDataset(store, name));
  PLUMULE_ASSIGN_OR_RETURN(*prepared.setup.mutable_counts(), dataset->Counts());
  *prepared.setup.mutable_protocol() = WithoutLongWords(std::move(published.protocol));
  prepared.dataset_digest = frozen.dataset_digest();
  prepared.open = [&store, name]() -> absl::StatusOr<std::unique_ptr<analysis::DatasetSource>> {
    return OpenFrozenDataset(store, name);
  };
  return prepared;
}

}  // namespace plumule::rpc
