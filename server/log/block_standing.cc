#include "server/log/block_standing.h"

namespace plumule::log {

using protocol::CompiledProtocol;

BlockStanding::BlockStanding(const CompiledProtocol& protocol, const WalkedBlock& block)
    : protocol_(protocol), block_(block), shared_(GrowerDepartures(protocol, block.grower)) {
  const std::vector<Departure> of_block =
      BlockDepartures(protocol, block.grower, block.state, block.Pointers());
  shared_.insert(shared_.end(), of_block.begin(), of_block.end());
}

template <typename Visit>
void BlockStanding::ForEach(const UnitState& unit, Visit visit) const {
  const auto visit_departures = [&](const std::vector<Departure>& departures) {
    for (const Departure& departure : departures) {
      if (OutcomeOf(protocol_, departure) != study::v1::RULE_OUTCOME_DEVIATION) continue;
      visit(RuleIdOf(protocol_, departure), LeavesPrimarySet(protocol_, departure));
    }
  };
  const auto visit_fact = [&](const Fact& fact) {
    for (const OwnDeviation& own : fact.deviations()) {
      visit(absl::string_view(own.rule()), own.leaves_primary_set());
    }
  };
  visit_departures(shared_);
  visit_departures(UnitDepartures(protocol_, block_.grower, block_.state, unit));
  visit_fact(block_.grower.joined());
  visit_fact(block_.state.started());
  visit_fact(unit.started());
  visit_fact(unit.lost());
  for (const Fact& look : unit.looks()) visit_fact(look);
  for (const Fact& report : unit.reached()) visit_fact(report);
  for (const Fact& photo : unit.photos()) visit_fact(photo);
}

bool BlockStanding::FollowedProtocol(const UnitState& unit) const {
  bool followed = true;
  ForEach(unit, [&](absl::string_view, bool leaves) { followed = followed && !leaves; });
  return followed;
}

absl::btree_set<std::string> BlockStanding::BrokenRules(const UnitState& unit) const {
  absl::btree_set<std::string> rules;
  ForEach(unit, [&](absl::string_view rule, bool) { rules.insert(std::string(rule)); });
  return rules;
}

}  // namespace plumule::log
