// Goes through the started units of a study, and knows which of them a dataset leaves out.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>

#include "absl/status/statusor.h"
#include "absl/strings/string_view.h"
#include "server/log/block_walk.h"
#include "server/log/state.pb.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::log {

// Why the units of growers are left out who left without leaving their records.
inline constexpr absl::string_view kWithdrawnReason = "the grower withdrew";

// One thread at a time. What it gives is valid until the next call of Next.
class UnitCursor {
 public:
  // Exclusions after the log's entry `log_sequence` are disregarded. `reader` must outlive the
  // cursor and not change under it.
  UnitCursor(const store::Reader& reader, store::StudyName study, std::int64_t log_sequence)
      : walk_(reader, std::move(study)), log_sequence_(log_sequence) {}

  // Goes to the next unit, by block, then unit, bytewise. False after the last. Errors: those of
  // BlockWalk.
  absl::StatusOr<bool> Next();

  const HeldBlock& block() const { return *block_; }
  const HeldUnit& unit() const { return block_->units[next_unit_ - 1]; }
  // True if the unit before was of another block, or there was none.
  bool enters_block() const { return next_unit_ == 1; }
  // All of the unit. Valid until the next call of this too.
  absl::StatusOr<const UnitState*> Whole() { return walk_.Whole(unit()); }
  // Why it is left out; null if it is not. Where there are several reasons: the withdrawal, then
  // the first in the log.
  const std::string* left_out() const { return left_out_; }

 private:
  const std::string* WhyLeftOut() const;

  BlockWalk walk_;
  const std::int64_t log_sequence_;
  const std::string withdrawn_{kWithdrawnReason};
  const HeldBlock* block_ = nullptr;
  std::size_t next_unit_ = 0;
  const std::string* left_out_ = nullptr;
};

}  // namespace plumule::log
