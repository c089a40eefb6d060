#include "server/log/primary_set.h"

#include <utility>

#include "server/log/answers.h"
#include "server/log/findings.h"
#include "server/log/fold.h"
#include "server/log/study_reader.h"
#include "server/protocol/status_macros.h"
#include "server/store/keys.h"

namespace plumule::log {
namespace {

using protocol::CompiledProtocol;

void AddOwn(const Fact& fact, UnitStanding* standing) {
  for (const OwnDeviation& deviation : fact.deviations()) {
    standing->deviations.insert(deviation.rule());
    if (deviation.leaves_primary_set()) standing->in_primary = false;
  }
}

void AddOwnOfUnit(const UnitState& unit, UnitStanding* standing) {
  AddOwn(unit.started(), standing);
  for (const Fact& look : unit.looks()) AddOwn(look, standing);
  for (const Fact& report : unit.reached()) AddOwn(report, standing);
  for (const Fact& photo : unit.photos()) AddOwn(photo, standing);
  if (unit.has_lost()) AddOwn(unit.lost(), standing);
}

void AddDepartures(const CompiledProtocol& protocol, const std::vector<Departure>& departures,
                   UnitStanding* standing) {
  for (const Departure& departure : departures) {
    if (OutcomeOf(protocol, departure) != study::v1::RULE_OUTCOME_DEVIATION) continue;
    standing->deviations.insert(std::string(RuleIdOf(protocol, departure)));
    if (LeavesPrimarySet(protocol, departure)) standing->in_primary = false;
  }
}

}  // namespace

PrimarySet::PrimarySet(const store::Reader& reader, store::StudyName study,
                       const CompiledProtocol& protocol)
    : reader_(reader), study_(std::move(study)), protocol_(protocol) {}

// All who share an answer depart: which came first is nothing that facts say.
absl::Status PrimarySet::AddUnique(const CompiledProtocol& protocol, const Fact& fact,
                                   UnitStanding* standing) {
  for (const protocol::CompiledUnique& rule : protocol.unique_in_study()) {
    if (protocol.rule(rule.rule).outcome() != study::v1::RULE_OUTCOME_DEVIATION) continue;
    const std::string& variable = protocol.variable(rule.variable).id();
    const Answer* answer = FindAnswer(fact, variable);
    if (answer == nullptr) continue;
    PLUMULE_ASSIGN_OR_RETURN(
        const auto bytes, reader_.Get(store::UniqueKey(study_, variable, UniqueDigest(*answer))));
    UniqueCount count;
    if (!count.ParseFromString(bytes.value_or("")) || count.holders() < 2) continue;
    standing->deviations.insert(protocol.rule(rule.rule).id());
    if (protocol.rule(rule.rule).leaves_primary_set()) standing->in_primary = false;
  }
  return absl::OkStatus();
}

absl::StatusOr<std::vector<UnitStanding>> PrimarySet::Judge(const WalkedBlock& block) {
  std::vector<UnitStanding> standings(block.units.size());
  const BlockUnits views = block.Views();
  UnitStanding shared;
  AddOwn(block.grower.joined(), &shared);
  AddOwn(block.state.started(), &shared);
  AddDepartures(protocol_, GrowerDepartures(protocol_, block.grower), &shared);
  AddDepartures(protocol_, BlockDepartures(protocol_, block.grower, block.state, views), &shared);
  PLUMULE_RETURN_IF_ERROR(AddUnique(protocol_, block.grower.joined(), &shared));
  PLUMULE_RETURN_IF_ERROR(AddUnique(protocol_, block.state.started(), &shared));
  for (std::size_t i = 0; i < block.units.size(); ++i) {
    const UnitState& unit = block.units[i].second;
    standings[i] = shared;
    AddOwnOfUnit(unit, &standings[i]);
    AddDepartures(protocol_, UnitDepartures(protocol_, block.grower, block.state, unit),
                  &standings[i]);
    PLUMULE_RETURN_IF_ERROR(AddUnique(protocol_, unit.started(), &standings[i]));
  }
  return standings;
}

}  // namespace plumule::log
