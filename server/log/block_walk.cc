#include "server/log/block_walk.h"

#include "absl/strings/str_cat.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/store/keys.h"

namespace plumule::log {
namespace {

constexpr std::size_t kPageRows = 2048;

template <typename T>
absl::Status Parse(const std::string& key, const std::string& bytes, T* message) {
  if (message->ParseFromString(bytes)) return absl::OkStatus();
  return ReasonedError(
      absl::StatusCode::kDataLoss, "store_damaged",
      absl::StrCat("a state of table ", key.substr(0, 1), " can't be read: restore a backup"));
}

}  // namespace

BlockUnits WalkedBlock::Views() const {
  BlockUnits views;
  views.reserve(units.size());
  for (const auto& [name, unit] : units) views.emplace_back(name, &unit);
  return views;
}

BlockWalk::BlockWalk(const store::Reader& reader, store::StudyName study)
    : reader_(reader),
      study_(std::move(study)),
      range_(store::PrefixRange(store::BlocksPrefix(study_), kPageRows)) {}

absl::Status BlockWalk::Refill() {
  page_.clear();
  at_ = 0;
  PLUMULE_RETURN_IF_ERROR(reader_.Scan(range_, [&](absl::string_view key, absl::string_view value) {
    page_.emplace_back(key, value);
    return true;
  }));
  last_page_ = page_.size() < kPageRows;
  if (!page_.empty()) range_.start = page_.back().first + '\0';
  return absl::OkStatus();
}

absl::StatusOr<bool> BlockWalk::NextRow() {
  if (at_ < page_.size()) return true;
  if (last_page_) return false;
  PLUMULE_RETURN_IF_ERROR(Refill());
  return !page_.empty();
}

absl::StatusOr<bool> BlockWalk::Next(WalkedBlock* block) {
  for (;;) {
    PLUMULE_ASSIGN_OR_RETURN(bool more, NextRow());
    if (!more) return false;
    block->id = std::string(store::TextPartOf(page_[at_].first, 2));
    block->units.clear();
    PLUMULE_RETURN_IF_ERROR(Parse(page_[at_].first, page_[at_].second, &block->state));
    ++at_;
    for (;;) {
      PLUMULE_ASSIGN_OR_RETURN(more, NextRow());
      if (!more) break;
      const auto& [key, value] = page_[at_];
      const absl::string_view unit = store::TextPartOf(key, 3);
      if (unit.empty()) break;
      block->units.emplace_back(std::string(unit), UnitState());
      PLUMULE_RETURN_IF_ERROR(Parse(key, value, &block->units.back().second));
      if (!block->units.back().second.has_started()) block->units.pop_back();
      ++at_;
    }
    if (!block->state.has_started()) continue;
    const std::string grower = store::GrowerKey(study_, block->state.grower());
    PLUMULE_ASSIGN_OR_RETURN(const auto bytes, reader_.Get(grower));
    PLUMULE_RETURN_IF_ERROR(Parse(grower, bytes.value_or(""), &block->grower));
    return true;
  }
}

const std::string* ExclusionOf(const WalkedBlock& block, const UnitState& unit,
                               std::int64_t log_sequence) {
  const Exclusion* first = nullptr;
  for (const auto* exclusions : {&block.state.exclusions(), &unit.exclusions()}) {
    for (const Exclusion& exclusion : *exclusions) {
      if (exclusion.sequence() > log_sequence) continue;
      if (first == nullptr || exclusion.sequence() < first->sequence()) first = &exclusion;
    }
  }
  return first == nullptr ? nullptr : &first->reason();
}

bool WishedAway(const GrowerState& grower) {
  return grower.has_withdrew() && !grower.withdrew().keep_earlier_records();
}

}  // namespace plumule::log
