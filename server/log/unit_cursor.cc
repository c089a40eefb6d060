#include "server/log/unit_cursor.h"

#include "server/protocol/status_macros.h"

namespace plumule::log {
namespace {

bool TookRecordsBack(const GrowerState& grower) {
  return grower.has_withdrew() && !grower.withdrew().keep_earlier_records();
}

}  // namespace

absl::StatusOr<bool> UnitCursor::Next() {
  while (block_ == nullptr || next_unit_ == block_->units.size()) {
    PLUMULE_ASSIGN_OR_RETURN(block_, walk_.Next());
    next_unit_ = 0;
    if (block_ == nullptr) return false;
  }
  ++next_unit_;
  left_out_ = WhyLeftOut();
  return true;
}

const std::string* UnitCursor::WhyLeftOut() const {
  if (TookRecordsBack(*block_->grower)) return &withdrawn_;
  const Exclusion* first = nullptr;
  for (const auto* exclusions : {&block_->state->exclusions(), &unit().state->exclusions()}) {
    for (const Exclusion& exclusion : *exclusions) {
      if (exclusion.sequence() > log_sequence_) continue;
      if (first == nullptr || exclusion.sequence() < first->sequence()) first = &exclusion;
    }
  }
  return first == nullptr ? nullptr : &first->reason();
}

}  // namespace plumule::log
