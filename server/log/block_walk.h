// Walks the blocks of a study in order, each with its grower and units.
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

// A block as a dataset sees it.
struct WalkedBlock {
  std::string id;
  BlockState state;
  GrowerState grower;
  // Started units by id, bytewise; excluded ones too.
  std::vector<std::pair<std::string, UnitState>> units;

  // The same, for findings.
  BlockUnits Views() const;
};

// Memory: one block and a page of keys.
class BlockWalk {
 public:
  // `reader` must outlive it and be a consistent view.
  BlockWalk(const store::Reader& reader, store::StudyName study);

  // The next started block. False after the last. Errors: those of the store.
  absl::StatusOr<bool> Next(WalkedBlock* block);

 private:
  absl::Status Refill();
  absl::StatusOr<bool> NextRow();

  const store::Reader& reader_;
  const store::StudyName study_;
  store::KeyRange range_;
  std::vector<std::pair<std::string, std::string>> page_;
  std::size_t at_ = 0;
  bool last_page_ = false;
};

// Why a unit is left out of a dataset at a position of the log; null if it is not.
const std::string* ExclusionOf(const WalkedBlock& block, const UnitState& unit,
                               std::int64_t log_sequence);

// True if the grower wished the records away.
bool WishedAway(const GrowerState& grower);

}  // namespace plumule::log
