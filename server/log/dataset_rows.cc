#include "server/log/dataset_rows.h"

#include <optional>

#include "server/log/answers.h"
#include "server/log/block_standing.h"
#include "server/log/block_walk.h"
#include "server/log/chunk_writer.h"
#include "server/log/crossing.h"
#include "server/log/dataset_schema.h"
#include "server/protocol/status_macros.h"

namespace plumule::log {
namespace {

using analysis::v1::DatasetChunk;
using protocol::CompiledProtocol;

// A chunk ends once it holds about this much, so that it fits any message of the contract.
constexpr std::size_t kChunkBytes = 2 << 20;

absl::string_view StatusCode(CrossingStatus status) {
  switch (status) {
    case CrossingStatus::kReached:
      return "reached";
    case CrossingStatus::kLostBiological:
      return "lost_biological";
    case CrossingStatus::kLostIncidental:
      return "lost_incidental";
    case CrossingStatus::kNotReached:
      break;
  }
  return "not_reached";
}

// The answer to a variable of grower, block or unit scope.
std::optional<protocol::CanonicalValue> AnswerOf(const CompiledProtocol& protocol, int variable,
                                                 const WalkedBlock& block, const UnitState& unit) {
  switch (protocol.variable(variable).scope()) {
    case study::v1::SCOPE_GROWER:
      return AnswerTo(protocol, variable, block.grower.joined());
    case study::v1::SCOPE_BLOCK:
      return AnswerTo(protocol, variable, block.state.started());
    default:
      return AnswerTo(protocol, variable, unit.started());
  }
}

// What both readers share: where they are in the walk, and chunks.
class Reader : public DatasetReader {
 public:
  Reader(const DatasetView& view, TableColumns table, std::int64_t rows)
      : view_(view),
        table_(std::move(table)),
        walk_(view.reader, view.study, view.log_sequence),
        writer_(table_.schema) {
    table_.schema.set_rows(rows);
  }

  const analysis::v1::DatasetSchema& schema() const override { return table_.schema; }

  absl::StatusOr<bool> Next(DatasetChunk* chunk) override {
    writer_.Begin(chunk);
    while (writer_.rows() < kChunkRows && writer_.bytes() < kChunkBytes) {
      PLUMULE_ASSIGN_OR_RETURN(const bool written, WriteRow());
      if (!written) break;
    }
    return writer_.rows() > 0;
  }

 protected:
  // The row at the present place; moves on. False at the end.
  virtual absl::StatusOr<bool> WriteRow() = 0;

  // Moves to the next unit that is in the dataset. False at the end.
  absl::StatusOr<bool> NextUnit() {
    for (;;) {
      while (next_unit_ < block_.units.size()) {
        const auto& candidate = block_.units[next_unit_++];
        if (!walk_.LeftOut(block_, candidate.second).empty()) continue;
        unit_ = &candidate;
        return true;
      }
      standing_.reset();
      PLUMULE_ASSIGN_OR_RETURN(const bool more, walk_.Next(&block_));
      if (!more) return false;
      next_unit_ = 0;
    }
  }

  const BlockStanding& standing() {
    if (!standing_) standing_.emplace(view_.protocol, block_);
    return *standing_;
  }

  const DatasetView view_;
  TableColumns table_;
  BlockWalk walk_;
  ChunkWriter writer_;
  WalkedBlock block_;
  const std::pair<std::string, UnitState>* unit_ = nullptr;

 private:
  std::size_t next_unit_ = 0;
  std::optional<BlockStanding> standing_;
};

class UnitReader : public Reader {
 public:
  UnitReader(const DatasetView& view, std::int64_t rows)
      : Reader(view, UnitColumns(view.protocol), rows) {}

 private:
  absl::StatusOr<bool> WriteRow() override {
    PLUMULE_ASSIGN_OR_RETURN(const bool found, NextUnit());
    if (!found) return false;
    const CompiledProtocol& protocol = view_.protocol;
    const UnitState& unit = unit_->second;
    const int arm = protocol.FindArm(unit.started().code());
    writer_.Code(block_.id);
    writer_.Code(unit_->first);
    writer_.Code(unit.started().code());
    if (!table_.doses.empty()) {
      if (arm == protocol::kNone) {
        writer_.Missing();
      } else {
        writer_.Number(table_.doses[static_cast<std::size_t>(arm)]);
      }
    }
    writer_.YesNo(standing().FollowedProtocol(unit));
    for (const int variable : table_.variables) {
      writer_.Answer(protocol, variable, AnswerOf(protocol, variable, block_, unit));
    }
    for (int threshold = 0; threshold < table_.schema.thresholds_size(); ++threshold) {
      WriteCrossing(threshold, arm, unit);
    }
    writer_.EndRow();
    return true;
  }

  void WriteCrossing(int threshold, int arm, const UnitState& unit) {
    if (!view_.protocol.AppliesToArm(threshold, arm)) {
      for (int column = 0; column < 3; ++column) writer_.Missing();
      return;
    }
    const Crossing crossing = CrossingOf(view_.protocol, threshold, unit);
    writer_.Number(crossing.lower);
    if (crossing.upper) {
      writer_.Number(*crossing.upper);
    } else {
      writer_.Missing();
    }
    writer_.Code(StatusCode(crossing.status));
  }
};

class LookReader : public Reader {
 public:
  LookReader(const DatasetView& view, std::int64_t rows)
      : Reader(view, LookColumns(view.protocol), rows) {}

 private:
  absl::StatusOr<bool> WriteRow() override {
    while (unit_ == nullptr || next_look_ == unit_->second.looks_size()) {
      PLUMULE_ASSIGN_OR_RETURN(const bool found, NextUnit());
      if (!found) return false;
      next_look_ = 0;
    }
    const Fact& look = unit_->second.looks(next_look_++);
    writer_.Code(block_.id);
    writer_.Code(unit_->first);
    writer_.Number(look.day() - unit_->second.started().day());
    for (const int variable : table_.variables) {
      writer_.Answer(view_.protocol, variable, AnswerTo(view_.protocol, variable, look));
    }
    writer_.EndRow();
    return true;
  }

  int next_look_ = 0;
};

}  // namespace

std::unique_ptr<DatasetReader> ReadUnits(const DatasetView& view, std::int64_t rows) {
  return std::make_unique<UnitReader>(view, rows);
}

std::unique_ptr<DatasetReader> ReadLooks(const DatasetView& view, std::int64_t rows) {
  return std::make_unique<LookReader>(view, rows);
}

}  // namespace plumule::log
