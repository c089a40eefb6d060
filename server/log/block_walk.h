// Visits a study's started units block by block, in the order of their keys.
#pragma once

#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include "absl/status/statusor.h"
#include "server/log/findings.h"
#include "server/log/state.pb.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::log {

// Why a unit is in no dataset; empty: it is in.
inline constexpr char kLeftOutWithdrawn[] = "the grower withdrew";

// One block with its grower and its started units by id, ascending.
struct WalkedBlock {
  std::string id;
  GrowerState grower;
  BlockState state;
  std::vector<std::pair<std::string, UnitState>> units;

  BlockUnits Pointers() const;
};

// Reads a view of the store front to back. Memory: one block, and a bounded run of keys. One thread.
class BlockWalk {
 public:
  // `log_sequence`: exclusions of later entries are disregarded. `reader` must outlive the walk.
  BlockWalk(const store::Reader& reader, store::StudyName study, std::int64_t log_sequence);

  // The next block that was started. False after the last. DATA_LOSS (`store_damaged`).
  absl::StatusOr<bool> Next(WalkedBlock* block);

  // Why `unit` of `block` is left out of datasets; empty if it is in.
  std::string LeftOut(const WalkedBlock& block, const UnitState& unit) const;

 private:
  absl::Status Fill();
  absl::StatusOr<bool> ReadBlock(WalkedBlock* block);

  const store::Reader& reader_;
  const store::StudyName study_;
  const std::int64_t log_sequence_;
  // Keys and values read ahead; `at_` is the next of them.
  std::vector<std::pair<std::string, std::string>> ahead_;
  std::size_t at_ = 0;
  // First key not read yet; empty when all are.
  std::string next_key_;
  std::string end_key_;
};

}  // namespace plumule::log
