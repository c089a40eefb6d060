// Which rules of the protocol a unit broke, as the whole of its records tells.
#pragma once

#include <set>
#include <string>

#include "absl/status/statusor.h"
#include "server/log/block_walk.h"
#include "server/log/state.pb.h"
#include "server/protocol/compiled_protocol.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::log {

struct Breaches {
  // Ids of rules, built-in ones included, with the outcome `deviation`.
  std::set<std::string> rules;
  // One of them takes the unit out of those that followed the protocol.
  bool leaves_primary_set = false;

  void Add(const Breaches& other);
};

// Finds breaches, whatever the order in which the records came. What a record broke by itself is
// what was found on its arrival, by its own revision; rules on several records are judged by
// `protocol`, all records alike. Of records that break `unique_in_study` all are concerned, not
// only the later ones.
//
// One thread at a time. The arguments must outlive it. Errors: those of the store, DATA_LOSS
// (`store_damaged`).
class BreachFinder {
 public:
  BreachFinder(const store::Reader& reader, const store::StudyName& study,
               const protocol::CompiledProtocol& protocol);

  // What concerns all units of a block: its own breaches and its grower's.
  absl::StatusOr<Breaches> OfBlock(const HeldBlock& block) const;
  // What concerns one unit alone; `unit` is whole.
  absl::StatusOr<Breaches> OfUnit(const HeldBlock& block, const UnitState& unit) const;

 private:
  absl::Status AddRepetitions(const Fact& fact, study::v1::Scope scope, Breaches* breaches) const;

  const store::Reader& reader_;
  const store::StudyName& study_;
  const protocol::CompiledProtocol& protocol_;
};

}  // namespace plumule::log
