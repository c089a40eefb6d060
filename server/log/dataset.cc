#include "server/log/dataset.h"

#include <optional>
#include <utility>

#include "absl/container/btree_map.h"
#include "absl/strings/str_cat.h"
#include "server/log/block_standing.h"
#include "server/log/block_walk.h"
#include "server/log/dataset_rows.h"
#include "server/log/study_reader.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"

namespace plumule::log {
namespace {

class StoredDataset : public Dataset {
 public:
  StoredDataset(std::unique_ptr<store::Snapshot> snapshot, store::StudyName study,
                std::int64_t log_sequence,
                std::shared_ptr<const protocol::CompiledProtocol> protocol)
      : snapshot_(std::move(snapshot)),
        study_(std::move(study)),
        log_sequence_(log_sequence),
        protocol_(std::move(protocol)) {}

  std::int64_t log_sequence() const override { return log_sequence_; }
  const protocol::CompiledProtocol& protocol() const override { return *protocol_; }

  absl::StatusOr<std::unique_ptr<DatasetReader>> Units() const override {
    PLUMULE_ASSIGN_OR_RETURN(const Size size, CountRows());
    return ReadUnits(view(), size.units);
  }

  absl::StatusOr<std::unique_ptr<DatasetReader>> Looks() const override {
    PLUMULE_ASSIGN_OR_RETURN(const Size size, CountRows());
    return ReadLooks(view(), size.looks);
  }

  absl::StatusOr<plugin::v1::StudyCounts> Counts() const override;

 private:
  struct Size {
    std::int64_t units = 0;
    std::int64_t looks = 0;
  };

  DatasetView view() const { return {*snapshot_, study_, log_sequence_, *protocol_}; }

  absl::StatusOr<Size> CountRows() const {
    Size size;
    BlockWalk walk(*snapshot_, study_, log_sequence_);
    WalkedBlock block;
    for (;;) {
      PLUMULE_ASSIGN_OR_RETURN(const bool more, walk.Next(&block));
      if (!more) return size;
      for (const auto& [id, unit] : block.units) {
        if (!walk.LeftOut(block, unit).empty()) continue;
        ++size.units;
        size.looks += unit.looks_size();
      }
    }
  }

  const std::unique_ptr<store::Snapshot> snapshot_;
  const store::StudyName study_;
  const std::int64_t log_sequence_;
  const std::shared_ptr<const protocol::CompiledProtocol> protocol_;
};

absl::StatusOr<plugin::v1::StudyCounts> StoredDataset::Counts() const {
  PLUMULE_ASSIGN_OR_RETURN(const StudyState state, ReadStudyState(*snapshot_, study_));
  plugin::v1::StudyCounts counts;
  counts.set_growers_joined(state.growers());
  absl::btree_map<std::string, std::int64_t> left_out;
  absl::btree_map<std::string, std::int64_t> deviations;
  std::int64_t withdrawn = 0;
  std::int64_t blocks = 0;
  std::int64_t units = 0;
  BlockWalk walk(*snapshot_, study_, log_sequence_);
  WalkedBlock block;
  for (;;) {
    PLUMULE_ASSIGN_OR_RETURN(const bool more, walk.Next(&block));
    if (!more) break;
    ++blocks;
    // A grower is counted with the first of their blocks.
    if (block.grower.has_withdrew() && !block.grower.withdrew().keep_earlier_records() &&
        block.grower.blocks_size() > 0 && block.grower.blocks(0) == block.id) {
      ++withdrawn;
    }
    const BlockStanding standing(*protocol_, block);
    for (const auto& [id, unit] : block.units) {
      ++units;
      if (const std::string reason = walk.LeftOut(block, unit); !reason.empty()) {
        ++left_out[reason];
        continue;
      }
      for (const std::string& rule : standing.BrokenRules(unit)) ++deviations[rule];
    }
  }
  counts.set_growers_withdrawn(withdrawn);
  counts.set_blocks_started(blocks);
  counts.set_units_started(units);
  for (const auto& [reason, count] : left_out) {
    plugin::v1::ExcludedCount* excluded = counts.add_excluded();
    excluded->set_reason(reason);
    excluded->set_units(count);
  }
  for (const auto& [rule, count] : deviations) {
    plugin::v1::DeviationCount* deviation = counts.add_deviations();
    deviation->set_rule(rule);
    deviation->set_units(count);
  }
  return counts;
}

}  // namespace

absl::StatusOr<std::unique_ptr<Dataset>> Dataset::Open(const store::Store& store,
                                                       const store::StudyName& study,
                                                       std::int64_t log_sequence) {
  std::unique_ptr<store::Snapshot> snapshot = store.TakeSnapshot();
  PLUMULE_ASSIGN_OR_RETURN(const StudyState state, ReadStudyState(*snapshot, study));
  PLUMULE_ASSIGN_OR_RETURN(const study::v1::Study head, ReadStudy(*snapshot, study));
  if (log_sequence == 0) log_sequence = head.log_head();
  if (state.closed_sequence() == 0 || state.closed_sequence() > log_sequence) {
    return ReasonedError(absl::StatusCode::kFailedPrecondition, "study_not_closed",
                         absl::StrCat("the study ", study.community, "/", study.study,
                                      " still takes records; close it first"));
  }
  PLUMULE_ASSIGN_OR_RETURN(auto protocol, ReadCompiled(*snapshot, study, 0));
  return std::make_unique<StoredDataset>(std::move(snapshot), study, log_sequence,
                                         std::move(protocol));
}

}  // namespace plumule::log
