// Whether units followed the protocol, and what they departed from.
#pragma once

#include <functional>
#include <memory>
#include <set>
#include <string>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/status/statusor.h"
#include "server/log/block_walk.h"
#include "server/protocol/compiled_protocol.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::log {

// What a unit's facts depart from.
struct UnitStanding {
  // Ids of rules broken with outcome deviation, of unit, block and grower.
  std::set<std::string> deviations;
  bool in_primary = true;
};

// Judges units by the revision under which each was started. A function of the facts alone. One
// thread at a time.
class PrimarySet {
 public:
  // `reader` must outlive it.
  PrimarySet(const store::Reader& reader, store::StudyName study,
             const protocol::CompiledProtocol& protocol);

  // Standings of the block's units, in their order.
  absl::StatusOr<std::vector<UnitStanding>> Judge(const WalkedBlock& block);

 private:
  absl::Status AddUnique(const protocol::CompiledProtocol& protocol, const Fact& fact,
                         UnitStanding* standing);

  const store::Reader& reader_;
  const store::StudyName study_;
  const protocol::CompiledProtocol& protocol_;
};

}  // namespace plumule::log
