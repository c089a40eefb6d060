#include "server/log/findings.h"

#include <algorithm>
#include <cstdlib>
#include <optional>
#include <set>
#include <string>

#include "absl/strings/str_cat.h"
#include "server/log/answers.h"
#include "server/log/crossing.h"
#include "server/log/days.h"
#include "server/protocol/civil_date.h"

namespace plumule::log {
namespace {

using protocol::CompiledMoment;
using protocol::CompiledProtocol;
using Kind = Departure::Kind;

// What a moment belongs to, from wide to narrow.
enum class Holder { kGrower, kBlock, kUnit };

Holder HolderOf(const CompiledProtocol& protocol, const CompiledMoment& moment) {
  switch (moment.at) {
    case CompiledMoment::At::kThreshold:
      return Holder::kUnit;
    case CompiledMoment::At::kMilestone:
      if (moment.milestone == study::v1::MILESTONE_JOINED) return Holder::kGrower;
      if (moment.milestone == study::v1::MILESTONE_BLOCK_STARTED) return Holder::kBlock;
      return Holder::kUnit;
    case CompiledMoment::At::kDateVariable:
      break;
  }
  switch (protocol.variable(moment.handle).scope()) {
    case study::v1::SCOPE_GROWER:
      return Holder::kGrower;
    case study::v1::SCOPE_BLOCK:
      return Holder::kBlock;
    default:
      return Holder::kUnit;
  }
}

// The facts that moments speak of; null where there is none.
struct Facts {
  const Fact* joined = nullptr;
  const Fact* block_started = nullptr;
  const UnitState* unit = nullptr;
};

const Fact* Present(bool there, const Fact& fact) { return there ? &fact : nullptr; }

Facts FactsOf(const GrowerState& grower, const BlockState* block, const UnitState* unit) {
  Facts facts{Present(grower.has_joined(), grower.joined())};
  if (block != nullptr) facts.block_started = Present(block->has_started(), block->started());
  facts.unit = unit;
  return facts;
}

const Fact* FactAt(const Facts& facts, Holder holder) {
  switch (holder) {
    case Holder::kGrower:
      return facts.joined;
    case Holder::kBlock:
      return facts.block_started;
    case Holder::kUnit:
      return facts.unit == nullptr ? nullptr
                                   : Present(facts.unit->has_started(), facts.unit->started());
  }
  return nullptr;
}

std::optional<std::int32_t> DayAt(const CompiledProtocol& protocol, const Facts& facts,
                                  const CompiledMoment& moment) {
  const Fact* fact = FactAt(facts, HolderOf(protocol, moment));
  if (fact == nullptr) return std::nullopt;
  if (moment.at == CompiledMoment::At::kDateVariable) {
    const Answer* answer = FindAnswer(*fact, protocol.variable(moment.handle).id());
    if (answer == nullptr || answer->value_case() != Answer::kDate) return std::nullopt;
    return answer->date();
  }
  if (moment.at == CompiledMoment::At::kThreshold) {
    const Crossing crossing = CrossingOf(protocol, moment.handle, *facts.unit);
    if (!crossing.upper) return std::nullopt;
    return fact->day() + *crossing.upper;
  }
  if (moment.milestone == study::v1::MILESTONE_LOST) {
    if (!facts.unit->has_lost()) return std::nullopt;
    return facts.unit->lost().day();
  }
  return fact->day();
}

// Rules on two days whose narrower day belongs to `holder`.
void JudgeDays(const CompiledProtocol& protocol, const Facts& facts, Holder holder,
               std::vector<Departure>* out) {
  const auto belongs = [&](const CompiledMoment& a, const CompiledMoment& b) {
    return std::max(HolderOf(protocol, a), HolderOf(protocol, b)) == holder;
  };
  for (const protocol::CompiledWithinDays& rule : protocol.within_days()) {
    if (!belongs(rule.a, rule.b)) continue;
    const auto a = DayAt(protocol, facts, rule.a);
    const auto b = DayAt(protocol, facts, rule.b);
    if (a && b && std::abs(*a - *b) > rule.max_days) {
      out->push_back({Kind::kWithinDays, rule.rule, 0, *a, *b});
    }
  }
  for (const protocol::CompiledNotBefore& rule : protocol.not_before()) {
    if (!belongs(rule.later, rule.earlier)) continue;
    const auto later = DayAt(protocol, facts, rule.later);
    const auto earlier = DayAt(protocol, facts, rule.earlier);
    if (later && earlier && *later < *earlier) {
      out->push_back({Kind::kNotBefore, rule.rule, 0, *later, *earlier});
    }
  }
}

// A number or count as a double.
std::optional<double> NumberIn(const Answer* answer) {
  if (answer == nullptr) return std::nullopt;
  if (answer->value_case() == Answer::kNumber) return answer->number();
  if (answer->value_case() == Answer::kCount) return static_cast<double>(answer->count());
  return std::nullopt;
}

// Looks of one day count as one, with the largest of their values: their order is not known.
void JudgeMonotone(const CompiledProtocol& protocol, const UnitState& unit,
                   std::vector<Departure>* out) {
  struct DayValue {
    std::int32_t day;
    double value;
  };
  for (const protocol::CompiledMonotone& rule : protocol.monotone()) {
    const std::string& variable = protocol.variable(rule.variable).id();
    std::optional<DayValue> previous, current;
    const auto compare = [&] {
      if (previous && current && previous->value - current->value > rule.tolerated_drop) {
        out->push_back({Kind::kMonotone, rule.rule, 0, previous->day, current->day});
      }
    };
    for (const Fact& look : unit.looks()) {
      const auto value = NumberIn(FindAnswer(look, variable));
      if (!value) continue;
      if (current && current->day == look.day()) {
        current->value = std::max(current->value, *value);
        continue;
      }
      compare();
      previous = current;
      current = DayValue{look.day(), *value};
    }
    compare();
  }
}

void JudgeLookIntervals(const CompiledProtocol& protocol, const UnitState& unit,
                        std::vector<Departure>* out) {
  for (const protocol::CompiledLookInterval& rule : protocol.look_interval()) {
    std::int32_t previous = unit.started().day();
    for (const Fact& look : unit.looks()) {
      if (look.day() - previous > rule.max_days) {
        out->push_back({Kind::kLookInterval, rule.rule, 0, previous, look.day()});
      }
      previous = look.day();
    }
  }
}

void JudgeAfterLoss(const UnitState& unit, std::vector<Departure>* out) {
  if (!unit.has_lost()) return;
  const std::int32_t lost = unit.lost().day();
  std::set<std::int32_t> days;
  for (const Fact& look : unit.looks()) days.insert(look.day());
  for (const Fact& report : unit.reached()) days.insert(report.day());
  for (auto day = days.upper_bound(lost); day != days.end(); ++day) {
    out->push_back({Kind::kAfterLoss, protocol::kNone, 0, lost, *day});
  }
}

void JudgeReports(const CompiledProtocol& protocol, const UnitState& unit,
                  std::vector<Departure>* out) {
  for (int i = 0; i < protocol.definition().thresholds_size(); ++i) {
    if (protocol.threshold(i).source() != study::v1::CROSSING_SOURCE_EITHER) continue;
    const Fact* report = ReportOf(protocol, i, unit);
    if (report == nullptr) continue;
    const SeenCrossing seen = SeenCrossingOf(protocol, i, unit);
    const std::int32_t first = report->has_not_yet_day() ? report->not_yet_day() : report->day();
    if (seen.last_below && report->day() < *seen.last_below) {
      out->push_back(
          {Kind::kCrossingDisagrees, protocol::kNone, i, report->day(), *seen.last_below});
    } else if (seen.first_met && first > *seen.first_met) {
      out->push_back(
          {Kind::kCrossingDisagrees, protocol::kNone, i, report->day(), *seen.first_met});
    }
  }
}

void JudgeSameAcrossArms(const CompiledProtocol& protocol, const BlockUnits& units,
                         std::vector<Departure>* out) {
  for (const protocol::CompiledSameAcrossArms& rule : protocol.same_across_arms()) {
    std::set<std::string> answers;
    for (const auto& [id, unit] : units) {
      if (rule.variable == protocol::kNone) {
        answers.insert(absl::StrCat(unit->started().day()));
      } else if (const Answer* answer =
                     FindAnswer(unit->started(), protocol.variable(rule.variable).id())) {
        answers.insert(answer->SerializeAsString());
      }
    }
    if (answers.size() > 1) {
      out->push_back(
          {Kind::kSameAcrossArms, rule.rule, 0, 0, static_cast<std::int32_t>(answers.size())});
    }
  }
}

void JudgeUnitCounts(const CompiledProtocol& protocol, const BlockUnits& units,
                     std::vector<Departure>* out) {
  const int most = protocol.definition().block().max_units_per_arm();
  for (int arm = 0; arm < protocol.definition().arms_size(); ++arm) {
    const auto count = std::count_if(units.begin(), units.end(), [&](const auto& unit) {
      return unit.second->started().code() == protocol.arm(arm).id();
    });
    if (count > most) {
      out->push_back(
          {Kind::kTooManyUnits, protocol::kNone, arm, most, static_cast<std::int32_t>(count)});
    }
  }
}

std::string Spell(std::int32_t day) { return protocol::SpellDate(DayOf(day)); }

std::string WhatHappened(const CompiledProtocol& protocol, const Departure& departure) {
  const std::string from = Spell(departure.from);
  const std::string to = Spell(departure.to);
  const int apart = std::abs(departure.to - departure.from);
  switch (departure.kind) {
    case Kind::kWithinDays:
      return absl::StrCat(from, " and ", to, " are ", apart, " days apart, not at most ",
                          protocol.rule(departure.rule).within_days().max_days(), ".");
    case Kind::kNotBefore:
      return absl::StrCat(from, " is before ", to, ".");
    case Kind::kSameAcrossArms:
      return protocol.rule(departure.rule).same_across_arms().start_day()
                 ? "The units of this block were not all started on the same day."
                 : absl::StrCat("The units of this block have different answers to ",
                                protocol.rule(departure.rule).same_across_arms().variable(), ".");
    case Kind::kMonotone:
      return absl::StrCat(protocol.rule(departure.rule).monotone().variable(),
                          " went back between the looks of ", from, " and ", to, ".");
    case Kind::kLookInterval:
      return absl::StrCat("There is no look between ", from, " and ", to, ", ", apart,
                          " days; looks should be at most ",
                          protocol.rule(departure.rule).look_interval().max_days(), " days apart.");
    case Kind::kTooManyUnits:
      return absl::StrCat("The block has ", departure.to, " units of arm ",
                          protocol.arm(departure.part).id(), ", the protocol asks for at most ",
                          departure.from, ".");
    case Kind::kAfterLoss:
      return absl::StrCat("The unit was lost on ", from, ", but there is a record of ", to,
                          ": check both days.");
    case Kind::kCrossingDisagrees:
      return absl::StrCat(protocol.threshold(departure.part).id(), " was reported for ", from,
                          ", which the look of ", to, " contradicts; the reported day is used.");
  }
  return "";
}

bool Same(const Departure& a, const Departure& b) {
  return a.kind == b.kind && a.rule == b.rule && a.part == b.part;
}

// True if `departure` was there before, in itself or in a worse form.
bool Covers(const Departure& before, const Departure& departure) {
  if (!Same(before, departure)) return false;
  switch (departure.kind) {
    case Kind::kLookInterval:
      return before.from <= departure.from && departure.to <= before.to;
    case Kind::kMonotone:
    case Kind::kAfterLoss:
      return before.to == departure.to;
    case Kind::kSameAcrossArms:
    case Kind::kTooManyUnits:
      return before.to >= departure.to;
    default:
      return true;
  }
}

}  // namespace

absl::string_view RuleIdOf(const CompiledProtocol& protocol, const Departure& departure) {
  switch (departure.kind) {
    case Kind::kTooManyUnits:
      return "too_many_units";
    case Kind::kAfterLoss:
      return "after_loss";
    case Kind::kCrossingDisagrees:
      return "crossing_disagrees";
    default:
      return protocol.rule(departure.rule).id();
  }
}

study::v1::RuleOutcome OutcomeOf(const CompiledProtocol& protocol, const Departure& departure) {
  if (departure.rule == protocol::kNone) return study::v1::RULE_OUTCOME_DEVIATION;
  return protocol.rule(departure.rule).outcome();
}

bool LeavesPrimarySet(const CompiledProtocol& protocol, const Departure& departure) {
  // A record from after a unit's end leaves open which of the two is right.
  if (departure.rule == protocol::kNone) return departure.kind == Kind::kAfterLoss;
  const study::v1::Rule& rule = protocol.rule(departure.rule);
  return rule.outcome() == study::v1::RULE_OUTCOME_DEVIATION && rule.leaves_primary_set();
}

intake::v1::Finding Describe(const CompiledProtocol& protocol, const Departure& departure) {
  const std::string happened = WhatHappened(protocol, departure);
  if (departure.rule != protocol::kNone) return protocol.BrokenRule(departure.rule, happened);
  intake::v1::Finding finding;
  finding.set_rule(std::string(RuleIdOf(protocol, departure)));
  finding.set_message(happened);
  finding.set_leaves_primary_set(LeavesPrimarySet(protocol, departure));
  return finding;
}

std::vector<Departure> NewDepartures(const std::vector<Departure>& before,
                                     const std::vector<Departure>& after) {
  std::vector<Departure> fresh;
  for (const Departure& departure : after) {
    const bool known = std::any_of(before.begin(), before.end(), [&](const Departure& other) {
      return Covers(other, departure);
    });
    if (!known) fresh.push_back(departure);
  }
  return fresh;
}

std::vector<Departure> GrowerDepartures(const CompiledProtocol& protocol,
                                        const GrowerState& grower) {
  std::vector<Departure> departures;
  JudgeDays(protocol, FactsOf(grower, nullptr, nullptr), Holder::kGrower, &departures);
  return departures;
}

std::vector<Departure> BlockDepartures(const CompiledProtocol& protocol, const GrowerState& grower,
                                       const BlockState& block, const BlockUnits& units) {
  std::vector<Departure> departures;
  JudgeDays(protocol, FactsOf(grower, &block, nullptr), Holder::kBlock, &departures);
  JudgeSameAcrossArms(protocol, units, &departures);
  JudgeUnitCounts(protocol, units, &departures);
  return departures;
}

std::vector<Departure> UnitDepartures(const CompiledProtocol& protocol, const GrowerState& grower,
                                      const BlockState& block, const UnitState& unit) {
  std::vector<Departure> departures;
  if (!unit.has_started()) return departures;
  JudgeDays(protocol, FactsOf(grower, &block, &unit), Holder::kUnit, &departures);
  JudgeMonotone(protocol, unit, &departures);
  JudgeLookIntervals(protocol, unit, &departures);
  JudgeAfterLoss(unit, &departures);
  JudgeReports(protocol, unit, &departures);
  return departures;
}

}  // namespace plumule::log
