#include "server/log/block_walk.h"

#include <optional>

#include "absl/strings/str_cat.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/store/keys.h"

namespace plumule::log {
namespace {

constexpr std::size_t kKeysAhead = 4096;

absl::Status Damaged(const store::StudyName& study, absl::string_view what) {
  return ReasonedError(absl::StatusCode::kDataLoss, "store_damaged",
                       absl::StrCat("The state of ", what, " of ", study.community, "/",
                                    study.study, " can't be read; restore a backup."));
}

// The reason of the first exclusion that was logged by `log_sequence`.
std::string Excluded(const google::protobuf::RepeatedPtrField<Exclusion>& exclusions,
                     std::int64_t log_sequence) {
  for (const Exclusion& exclusion : exclusions) {
    if (exclusion.sequence() <= log_sequence) return exclusion.reason();
  }
  return "";
}

}  // namespace

BlockUnits WalkedBlock::Pointers() const {
  BlockUnits pointers;
  pointers.reserve(units.size());
  for (const auto& [unit_id, unit] : units) pointers.emplace_back(unit_id, &unit);
  return pointers;
}

BlockWalk::BlockWalk(const store::Reader& reader, store::StudyName study,
                     std::int64_t log_sequence)
    : reader_(reader), study_(std::move(study)), log_sequence_(log_sequence) {
  const store::KeyRange all = store::PrefixRange(store::BlocksPrefix(study_));
  next_key_ = all.start;
  end_key_ = all.end;
}

absl::Status BlockWalk::Fill() {
  ahead_.clear();
  at_ = 0;
  if (next_key_.empty()) return absl::OkStatus();
  const store::KeyRange range = {next_key_, end_key_, kKeysAhead};
  PLUMULE_RETURN_IF_ERROR(
      reader_.Scan(range, [&](absl::string_view key, absl::string_view value) {
        ahead_.emplace_back(std::string(key), std::string(value));
        return true;
      }));
  next_key_.clear();
  if (ahead_.size() == kKeysAhead) next_key_ = ahead_.back().first + '\0';
  return absl::OkStatus();
}

absl::StatusOr<bool> BlockWalk::Next(WalkedBlock* block) {
  for (;;) {
    PLUMULE_ASSIGN_OR_RETURN(const bool found, ReadBlock(block));
    if (!found) return false;
    if (block->state.has_started()) return true;
  }
}

// A block's key, then the keys of its units.
absl::StatusOr<bool> BlockWalk::ReadBlock(WalkedBlock* block) {
  if (at_ == ahead_.size()) PLUMULE_RETURN_IF_ERROR(Fill());
  if (at_ == ahead_.size()) return false;
  block->id = std::string(store::TextPartOf(ahead_[at_].first, 2));
  block->units.clear();
  if (!block->state.ParseFromString(ahead_[at_].second)) return Damaged(study_, block->id);
  ++at_;
  for (;;) {
    if (at_ == ahead_.size()) PLUMULE_RETURN_IF_ERROR(Fill());
    if (at_ == ahead_.size()) break;
    const auto& [key, value] = ahead_[at_];
    if (store::TextPartOf(key, 2) != block->id) break;
    UnitState unit;
    if (!unit.ParseFromString(value)) return Damaged(study_, block->id);
    if (unit.has_started()) {
      block->units.emplace_back(std::string(store::TextPartOf(key, 3)), std::move(unit));
    }
    ++at_;
  }
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::string> grower,
                           reader_.Get(store::GrowerKey(study_, block->state.grower())));
  block->grower.Clear();
  if (grower && !block->grower.ParseFromString(*grower)) {
    return Damaged(study_, block->state.grower());
  }
  return true;
}

std::string BlockWalk::LeftOut(const WalkedBlock& block, const UnitState& unit) const {
  if (block.grower.has_withdrew() && !block.grower.withdrew().keep_earlier_records()) {
    return kLeftOutWithdrawn;
  }
  std::string reason = Excluded(block.state.exclusions(), log_sequence_);
  return reason.empty() ? Excluded(unit.exclusions(), log_sequence_) : reason;
}

}  // namespace plumule::log
