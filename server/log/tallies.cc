#include "server/log/tallies.h"

#include <algorithm>

#include "server/log/crossing.h"

namespace plumule::log {
namespace {

// The threshold that the primary analysis uses; empty for none.
std::string PrimaryThreshold(const study::v1::Protocol& definition) {
  for (const study::v1::Analysis& analysis : definition.analyses()) {
    if (analysis.role() == study::v1::ANALYSIS_ROLE_PRIMARY) return analysis.threshold();
  }
  return "";
}

}  // namespace

void AddTally(const std::string& id, std::int64_t by,
              google::protobuf::RepeatedPtrField<intake::v1::Tally>* tallies) {
  auto at = std::lower_bound(
      tallies->begin(), tallies->end(), id,
      [](const intake::v1::Tally& tally, const std::string& key) { return tally.id() < key; });
  if (at == tallies->end() || at->id() != id) {
    int position = static_cast<int>(at - tallies->begin());
    tallies->Add()->set_id(id);
    for (int last = tallies->size() - 1; last > position; --last) {
      tallies->SwapElements(last, last - 1);
    }
    at = tallies->begin() + position;
  }
  at->set_count(at->count() + by);
  if (at->count() == 0) tallies->erase(at);
}

void CountGrower(const GrowerState& grower, std::int64_t by, StudyState* counts) {
  if (grower.has_joined()) counts->set_growers(counts->growers() + by);
  if (grower.has_withdrew()) counts->set_withdrawn(counts->withdrawn() + by);
}

void CountBlock(const BlockState& block, std::int64_t by, StudyState* counts) {
  if (block.has_started()) counts->set_blocks(counts->blocks() + by);
}

void CountUnit(const UnitState& unit, std::int64_t by, StudyState* counts) {
  if (!unit.has_started()) return;
  counts->set_units(counts->units() + by);
  AddTally(unit.started().code(), by, counts->mutable_arms());
  counts->set_observations(counts->observations() + by * unit.looks_size());
  if (unit.has_lost()) AddTally(unit.lost().code(), by, counts->mutable_lost());
  for (const std::string& threshold : unit.counted_reached()) {
    AddTally(threshold, by, counts->mutable_reached());
  }
  if (unit.counted_ended()) counts->set_ended(counts->ended() + by);
}

void NoteCounted(const protocol::CompiledProtocol& newest, UnitState* unit) {
  unit->clear_counted_reached();
  unit->clear_counted_ended();
  if (!unit->has_started()) return;
  const std::string primary = PrimaryThreshold(newest.definition());
  bool ended = unit->has_lost();
  const int arm = newest.FindArm(unit->started().code());
  for (int i = 0; i < newest.definition().thresholds_size(); ++i) {
    if (arm == protocol::kNone || !newest.AppliesToArm(i, arm)) continue;
    if (!CrossingOf(newest, i, *unit).upper) continue;
    const std::string& id = newest.threshold(i).id();
    unit->add_counted_reached(id);
    if (id == primary) ended = true;
  }
  std::sort(unit->mutable_counted_reached()->begin(), unit->mutable_counted_reached()->end());
  unit->set_counted_ended(ended);
}

}  // namespace plumule::log
