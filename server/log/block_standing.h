// Which deviations concern a unit: its own, those of its block and those of its grower.
#pragma once

#include <string>
#include <vector>

#include "absl/container/btree_set.h"
#include "server/log/block_walk.h"
#include "server/log/findings.h"
#include "server/protocol/compiled_protocol.h"

namespace plumule::log {

// Of the units of one block. What it is made from must outlive it.
class BlockStanding {
 public:
  BlockStanding(const protocol::CompiledProtocol& protocol, const WalkedBlock& block);

  // True if none of its deviations leaves the primary set.
  bool FollowedProtocol(const UnitState& unit) const;

  // Ids of the rules that it deviates from.
  absl::btree_set<std::string> BrokenRules(const UnitState& unit) const;

 private:
  // Calls `visit(rule id, leaves primary set)` for each deviation of `unit`.
  template <typename Visit>
  void ForEach(const UnitState& unit, Visit visit) const;

  const protocol::CompiledProtocol& protocol_;
  const WalkedBlock& block_;
  // Of the grower and the block.
  std::vector<Departure> shared_;
};

}  // namespace plumule::log
