#include "server/log/breaches.h"

#include <optional>
#include <utility>
#include <vector>

#include "server/log/answers.h"
#include "server/log/findings.h"
#include "server/log/fold.h"
#include "server/log/unreadable_state.h"
#include "server/protocol/status_macros.h"
#include "server/store/keys.h"

namespace plumule::log {
namespace {

using protocol::CompiledProtocol;

void AddOwn(const Fact& fact, Breaches* breaches) {
  for (const OwnDeviation& deviation : fact.deviations()) {
    breaches->rules.insert(deviation.rule());
    breaches->leaves_primary_set |= deviation.leaves_primary_set();
  }
}

void AddOwn(const google::protobuf::RepeatedPtrField<Fact>& facts, Breaches* breaches) {
  for (const Fact& fact : facts) AddOwn(fact, breaches);
}

void AddDepartures(const CompiledProtocol& protocol, const std::vector<Departure>& departures,
                   Breaches* breaches) {
  for (const Departure& departure : departures) {
    if (OutcomeOf(protocol, departure) != study::v1::RULE_OUTCOME_DEVIATION) continue;
    breaches->rules.insert(std::string(RuleIdOf(protocol, departure)));
    breaches->leaves_primary_set |= LeavesPrimarySet(protocol, departure);
  }
}

}  // namespace

void Breaches::Add(const Breaches& other) {
  rules.insert(other.rules.begin(), other.rules.end());
  leaves_primary_set |= other.leaves_primary_set;
}

BreachFinder::BreachFinder(const store::Reader& reader, const store::StudyName& study,
                           const CompiledProtocol& protocol)
    : reader_(reader), study_(study), protocol_(protocol) {}

absl::StatusOr<Breaches> BreachFinder::OfBlock(const HeldBlock& block) const {
  Breaches breaches;
  const GrowerState& grower = *block.grower;
  AddOwn(grower.joined(), &breaches);
  AddOwn(block.state->started(), &breaches);
  BlockUnits units;
  units.reserve(block.units.size());
  for (const HeldUnit& unit : block.units) units.emplace_back(unit.id, unit.state);
  AddDepartures(protocol_, GrowerDepartures(protocol_, grower), &breaches);
  AddDepartures(protocol_, BlockDepartures(protocol_, grower, *block.state, units), &breaches);
  PLUMULE_RETURN_IF_ERROR(AddRepetitions(grower.joined(), study::v1::SCOPE_GROWER, &breaches));
  PLUMULE_RETURN_IF_ERROR(
      AddRepetitions(block.state->started(), study::v1::SCOPE_BLOCK, &breaches));
  return breaches;
}

absl::StatusOr<Breaches> BreachFinder::OfUnit(const HeldBlock& block, const UnitState& unit) const {
  Breaches breaches;
  AddOwn(unit.started(), &breaches);
  AddOwn(unit.looks(), &breaches);
  AddOwn(unit.reached(), &breaches);
  AddOwn(unit.lost(), &breaches);
  AddOwn(unit.photos(), &breaches);
  AddDepartures(protocol_, UnitDepartures(protocol_, *block.grower, *block.state, unit), &breaches);
  PLUMULE_RETURN_IF_ERROR(AddRepetitions(unit.started(), study::v1::SCOPE_UNIT, &breaches));
  return breaches;
}

absl::Status BreachFinder::AddRepetitions(const Fact& fact, study::v1::Scope scope,
                                          Breaches* breaches) const {
  for (const protocol::CompiledUnique& rule : protocol_.unique_in_study()) {
    const study::v1::Variable& variable = protocol_.variable(rule.variable);
    const study::v1::Rule& definition = protocol_.rule(rule.rule);
    if (variable.scope() != scope) continue;
    if (definition.outcome() != study::v1::RULE_OUTCOME_DEVIATION) continue;
    const Answer* answer = FindAnswer(fact, variable.id());
    if (answer == nullptr) continue;
    const std::string key = store::UniqueKey(study_, variable.id(), UniqueDigest(*answer));
    PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::string> bytes, reader_.Get(key));
    UniqueCount count;
    if (bytes && !count.ParseFromString(*bytes)) return UnreadableState(key);
    if (count.holders() < 2) continue;
    breaches->rules.insert(definition.id());
    breaches->leaves_primary_set |= definition.leaves_primary_set();
  }
  return absl::OkStatus();
}

}  // namespace plumule::log
