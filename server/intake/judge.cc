#include "server/intake/judge.h"

#include <algorithm>
#include <optional>
#include <string>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/strings/str_cat.h"
#include "server/intake/problems.h"
#include "server/log/answers.h"
#include "server/log/days.h"
#include "server/log/findings.h"
#include "server/protocol/civil_date.h"
#include "server/protocol/status_macros.h"

namespace plumule::intake {
namespace {

using log::BlockState;
using log::Departure;
using log::Effect;
using log::Fact;
using log::FactKind;
using log::GrowerState;
using log::PlacedFact;
using log::UnitState;
using protocol::CompiledProtocol;

std::string Spell(std::int32_t day) { return protocol::SpellDate(log::DayOf(day)); }

// A fact of a unit put in its place for as long as this lives: units hold too much to be copied for
// each look.
class Trial {
 public:
  Trial(const Effect& effect, UnitState* unit) : unit_(unit) {
    undo_.corrects = effect.placed.fact.record_id();
    undo_.placed.kind = effect.placed.kind;
    const Fact* old = effect.corrects.empty() ? nullptr
                                              : log::FindFact(effect.placed, effect.corrects,
                                                              GrowerState(), BlockState(), *unit);
    undo_.withdraws = old == nullptr;
    if (old != nullptr) undo_.placed.fact = *old;
    log::Fold::ChangeFacts(effect, nullptr, nullptr, unit_);
  }
  ~Trial() { log::Fold::ChangeFacts(undo_, nullptr, nullptr, unit_); }
  Trial(const Trial&) = delete;
  Trial& operator=(const Trial&) = delete;

 private:
  UnitState* const unit_;
  Effect undo_;
};

// One record before the state that it meets.
class Hearing {
 public:
  Hearing(const v1::Record& record, const CompiledProtocol& protocol, const store::StudyName& study,
          log::StateSpace& space, const Effect& effect, v1::Judgement* judgement)
      : record_(record),
        protocol_(protocol),
        study_(study),
        space_(space),
        effect_(effect),
        placed_(effect.placed),
        judgement_(judgement) {}

  absl::Status Judge() {
    PLUMULE_ASSIGN_OR_RETURN(const auto block, space_.Block(study_, placed_.block));
    const std::string owner = placed_.grower.empty() ? block->grower() : placed_.grower;
    PLUMULE_ASSIGN_OR_RETURN(const auto grower, space_.Grower(study_, owner));
    PLUMULE_ASSIGN_OR_RETURN(auto unit, space_.Unit(study_, placed_.block, placed_.unit));
    CheckOwner(*block);
    CheckWithdrawal(*grower);
    // What is withdrawn already can be withdrawn again: nothing changes.
    if (effect_.withdraws &&
        log::FindFact(placed_, effect_.corrects, *grower, *block, *unit) == nullptr) {
      return absl::OkStatus();
    }
    if (corrects() && !effect_.withdraws) CheckPlace(*grower, *block, *unit);
    CheckFact(*grower, *block, *unit);
    if (!judgement_->problems().empty()) return absl::OkStatus();
    PLUMULE_RETURN_IF_ERROR(CheckUnique(*grower, *block, *unit));
    return CheckRules(*grower, *block, &unit);
  }

 private:
  bool corrects() const { return !effect_.corrects.empty(); }
  std::string Path(absl::string_view field) const {
    return absl::StrCat(corrects() ? "corrected.replacement." : "", field);
  }
  void Refuse(absl::string_view field, absl::string_view reason, absl::string_view message,
              absl::string_view remedy) {
    AddProblem(field, reason, message, remedy, judgement_);
  }
  // True if something else than what is corrected stands in the place of the fact.
  bool Taken(bool there, const Fact& fact) const {
    return !effect_.withdraws && there && fact.record_id() != effect_.corrects;
  }

  void CheckOwner(const BlockState& block) {
    if (placed_.kind == FactKind::kBlockStarted || record_.grower().empty()) return;
    if (block.grower().empty() || record_.grower() == block.grower()) return;
    Refuse("grower", "block_of_another_grower",
           absl::StrCat("block ", placed_.block, " belongs to another grower"),
           "check the ids of grower and block, or leave the grower empty");
  }

  void CheckWithdrawal(const GrowerState& grower) {
    if (!grower.has_withdrew()) return;
    if (placed_.kind == FactKind::kWithdrew) {
      if (!Taken(true, grower.withdrew())) return;
      Refuse("fact", "already_withdrawn",
             absl::StrCat("the grower left on ", Spell(grower.withdrew().day())),
             "to change what was said then, correct that record");
      return;
    }
    Refuse("fact", "grower_withdrew",
           absl::StrCat("the grower left the study on ", Spell(grower.withdrew().day())),
           "nothing more is taken of this grower; if that was a mistake, correct the record that "
           "says so");
  }

  // A new record waits for what it rests on. A correction may find that gone, once all that rested
  // on it was withdrawn too.
  void CheckPlace(const GrowerState& grower, const BlockState& block, const UnitState& unit) {
    switch (placed_.kind) {
      case FactKind::kJoined:
        return;
      case FactKind::kWithdrew:
      case FactKind::kBlockStarted:
        return RequirePlace(grower.has_joined(), "grower");
      case FactKind::kUnitStarted:
        return RequirePlace(block.has_started(), "block");
      default:
        return RequirePlace(unit.has_started(), "unit");
    }
  }

  void RequirePlace(bool there, absl::string_view what) {
    if (there) return;
    Refuse("corrected.replacement", "place_withdrawn",
           absl::StrCat("the ", what, " that the record belongs to was withdrawn"),
           absl::StrCat("give the ", what, " again first, or send a new record"));
  }

  void CheckFact(const GrowerState& grower, const BlockState& block, const UnitState& unit) {
    switch (placed_.kind) {
      case FactKind::kJoined:
        return CheckJoined(grower);
      case FactKind::kWithdrew:
        return;
      case FactKind::kBlockStarted:
        return CheckBlockStarted(grower, block);
      case FactKind::kUnitStarted:
        return CheckUnitStarted(block, unit);
      case FactKind::kObserved:
        CheckNotBeforeStart(unit, placed_.fact.day(), "happened_on");
        return CheckRoom(unit.looks_size(), kMostLooksOfUnit, "looks");
      case FactKind::kReached:
        return CheckReached(unit);
      case FactKind::kLost:
        CheckNotBeforeStart(unit, placed_.fact.day(), "happened_on");
        if (Taken(unit.has_lost(), unit.lost())) {
          Refuse("fact", "already_lost",
                 absl::StrCat("the unit is recorded as lost on ", Spell(unit.lost().day())),
                 "to change that, correct that record");
        }
        return;
      case FactKind::kPhoto:
        CheckNotBeforeStart(unit, placed_.fact.day(), "happened_on");
        return CheckRoom(unit.photos_size(), kMostPhotosOfUnit, "photos");
    }
  }

  void CheckJoined(const GrowerState& grower) {
    if (Taken(grower.has_joined(), grower.joined())) {
      Refuse("grower", "grower_already_joined",
             absl::StrCat("grower ", placed_.grower, " joined on ", Spell(grower.joined().day())),
             "use another id, or correct the first record");
    }
    if (effect_.withdraws && !grower.blocks().empty()) RefuseDependents("the grower has blocks");
  }

  void CheckBlockStarted(const GrowerState& grower, const BlockState& block) {
    if (Taken(block.has_started(), block.started())) {
      const bool same = block.grower() == placed_.grower;
      Refuse("block", same ? "block_already_started" : "block_of_another_grower",
             absl::StrCat("block ", placed_.block, " was started on ", Spell(block.started().day()),
                          same ? "" : " by another grower"),
             "use another id, or correct the first record");
    }
    if (effect_.withdraws) {
      if (!block.units().empty()) RefuseDependents("the block has units");
      return;
    }
    const int most = protocol_.definition().block().max_blocks_per_grower();
    if (!block.has_started() && grower.blocks_size() >= most) {
      Refuse("block", "too_many_blocks",
             absl::StrCat("the grower has ", grower.blocks_size(), " blocks"),
             absl::StrCat("the protocol allows ", most, " for each grower"));
    }
  }

  void CheckUnitStarted(const BlockState& block, const UnitState& unit) {
    if (Taken(unit.has_started(), unit.started())) {
      Refuse("unit", "unit_already_started",
             absl::StrCat("unit ", placed_.unit, " of block ", placed_.block, " was started on ",
                          Spell(unit.started().day()), " in arm ", unit.started().code()),
             "use another id, or correct the first record");
    }
    const bool has_facts = !unit.looks().empty() || !unit.reached().empty() || unit.has_lost() ||
                           !unit.photos().empty();
    if (effect_.withdraws) {
      if (has_facts) RefuseDependents("the unit has looks or other records");
      return;
    }
    if (!unit.has_started()) CheckRoom(block.units_size(), kMostUnitsOfBlock, "units");
    const std::optional<std::int32_t> first = FirstDay(unit);
    if (first && *first < placed_.fact.day()) {
      Refuse(Path("happened_on"), "before_start",
             absl::StrCat("there is a record of the unit of ", Spell(*first),
                          ", before its start on ", Spell(placed_.fact.day())),
             "correct that record first");
    }
    const int arm = protocol_.FindArm(placed_.fact.code());
    for (const Fact& report : unit.reached()) {
      const int threshold = protocol_.FindThreshold(report.code());
      if (threshold != protocol::kNone && !protocol_.AppliesToArm(threshold, arm)) {
        Refuse(Path("unit_started.arm"), "threshold_not_for_arm",
               absl::StrCat("the unit reached ", report.code(), ", which is not for arm ",
                            placed_.fact.code()),
               "correct that record first");
      }
    }
  }

  void CheckReached(const UnitState& unit) {
    if (effect_.withdraws) return;
    CheckNotBeforeStart(unit, placed_.fact.day(), "happened_on");
    if (placed_.fact.has_not_yet_day()) {
      CheckNotBeforeStart(unit, placed_.fact.not_yet_day(), "reached.not_yet_on");
    }
    for (const Fact& report : unit.reached()) {
      if (report.code() == placed_.fact.code() && Taken(true, report)) {
        Refuse(Path("reached.threshold"), "already_reported",
               absl::StrCat(report.code(), " is recorded as reached on ", Spell(report.day())),
               "to change that, correct that record");
      }
    }
    const int threshold = protocol_.FindThreshold(placed_.fact.code());
    const int arm = protocol_.FindArm(unit.started().code());
    if (arm != protocol::kNone && !protocol_.AppliesToArm(threshold, arm)) {
      Refuse(Path("reached.threshold"), "threshold_not_for_arm",
             absl::StrCat(placed_.fact.code(), " is not for units of arm ", unit.started().code()),
             "check unit and threshold");
    }
  }

  static std::optional<std::int32_t> FirstDay(const UnitState& unit) {
    std::optional<std::int32_t> first;
    const auto see = [&](std::int32_t day) { first = std::min(first.value_or(day), day); };
    for (const Fact& look : unit.looks()) see(look.day());
    for (const Fact& report : unit.reached()) {
      see(report.has_not_yet_day() ? report.not_yet_day() : report.day());
    }
    for (const Fact& photo : unit.photos()) see(photo.day());
    if (unit.has_lost()) see(unit.lost().day());
    return first;
  }

  void CheckNotBeforeStart(const UnitState& unit, std::int32_t day, absl::string_view field) {
    if (effect_.withdraws || day >= unit.started().day()) return;
    Refuse(Path(field), "before_start",
           absl::StrCat(Spell(day), " is before the unit's start on ", Spell(unit.started().day())),
           "check both days");
  }

  void CheckRoom(int held, int most, absl::string_view what) {
    if (corrects() || held < most) return;
    Refuse("fact", "place_full", absl::StrCat("there are ", held, " ", what, " already"),
           absl::StrCat("at most ", most, " are kept"));
  }

  void RefuseDependents(absl::string_view why) {
    Refuse("corrected.replacement", "others_depend_on_it",
           absl::StrCat("the record can't be withdrawn: ", why),
           "withdraw those records first, or say what it should have been");
  }

  absl::Status CheckUnique(const GrowerState& grower, const BlockState& block,
                           const UnitState& unit) {
    if (effect_.withdraws || protocol_.unique_in_study().empty()) return absl::OkStatus();
    const Fact* old = log::FindFact(placed_, effect_.corrects, grower, block, unit);
    for (const protocol::CompiledUnique& rule : protocol_.unique_in_study()) {
      const std::string& variable = protocol_.variable(rule.variable).id();
      const log::Answer* answer = log::FindAnswer(placed_.fact, variable);
      if (answer == nullptr) continue;
      const std::string digest = log::UniqueDigest(*answer);
      PLUMULE_ASSIGN_OR_RETURN(const auto count, space_.Unique(study_, variable, digest));
      const log::Answer* earlier = old == nullptr ? nullptr : log::FindAnswer(*old, variable);
      const int own = earlier != nullptr && log::UniqueDigest(*earlier) == digest ? 1 : 0;
      if (count->holders() - own > 0) {
        Follow(rule.rule, ValuePath(variable),
               protocol_.BrokenRule(
                   rule.rule,
                   absl::StrCat("Another record of the study has the same ", variable, ".")));
      }
    }
    return absl::OkStatus();
  }

  // What is around the record, before and after it.
  absl::Status CheckRules(const GrowerState& grower, const BlockState& block,
                          log::StateOf<UnitState>* unit) {
    switch (placed_.kind) {
      case FactKind::kWithdrew:
        return absl::OkStatus();
      case FactKind::kJoined:
        return CheckAroundGrower(grower);
      case FactKind::kBlockStarted: {
        GrowerState new_grower = grower;
        BlockState new_block = block;
        log::Fold::ChangeFacts(effect_, &new_grower, &new_block, nullptr);
        return CompareBlock(grower, grower, block, new_block, placed_.block);
      }
      case FactKind::kUnitStarted: {
        BlockState new_block = block;
        UnitState new_unit = **unit;
        log::Fold::ChangeFacts(effect_, nullptr, &new_block, &new_unit);
        PLUMULE_RETURN_IF_ERROR(CompareUnits(grower, block, new_block, new_unit));
        Compare(log::UnitDepartures(protocol_, grower, block, **unit),
                log::UnitDepartures(protocol_, grower, new_block, new_unit));
        return absl::OkStatus();
      }
      default: {
        const std::vector<Departure> before = log::UnitDepartures(protocol_, grower, block, **unit);
        const Trial trial(effect_, unit->Borrow());
        Compare(before, log::UnitDepartures(protocol_, grower, block, **unit));
        return absl::OkStatus();
      }
    }
  }

  absl::Status CheckAroundGrower(const GrowerState& grower) {
    GrowerState new_grower = grower;
    log::Fold::ChangeFacts(effect_, &new_grower, nullptr, nullptr);
    Compare(log::GrowerDepartures(protocol_, grower), log::GrowerDepartures(protocol_, new_grower));
    for (const std::string& id : grower.blocks()) {
      PLUMULE_ASSIGN_OR_RETURN(const auto held, space_.Block(study_, id));
      PLUMULE_RETURN_IF_ERROR(CompareBlock(grower, new_grower, *held, *held, id));
    }
    return absl::OkStatus();
  }

  absl::StatusOr<log::BlockUnits> UnitsOf(const BlockState& block, const std::string& id) {
    log::BlockUnits units;
    for (const std::string& name : block.units()) {
      PLUMULE_ASSIGN_OR_RETURN(const auto unit, space_.Unit(study_, id, name));
      units.emplace_back(name, &*unit);
    }
    return units;
  }

  // A change of the block or its grower touches the days of all its units.
  absl::Status CompareBlock(const GrowerState& grower, const GrowerState& new_grower,
                            const BlockState& block, const BlockState& new_block,
                            const std::string& id) {
    PLUMULE_ASSIGN_OR_RETURN(const log::BlockUnits units, UnitsOf(block, id));
    Compare(log::BlockDepartures(protocol_, grower, block, units),
            log::BlockDepartures(protocol_, new_grower, new_block, units));
    for (const auto& [name, unit] : units) {
      Compare(log::UnitDepartures(protocol_, grower, block, *unit),
              log::UnitDepartures(protocol_, new_grower, new_block, *unit));
    }
    return absl::OkStatus();
  }

  // A unit's start touches the units of its block together.
  absl::Status CompareUnits(const GrowerState& grower, const BlockState& block,
                            const BlockState& new_block, const UnitState& new_unit) {
    PLUMULE_ASSIGN_OR_RETURN(const log::BlockUnits before, UnitsOf(block, placed_.block));
    PLUMULE_ASSIGN_OR_RETURN(log::BlockUnits after, UnitsOf(new_block, placed_.block));
    for (auto& [name, state] : after) {
      if (name == placed_.unit) state = &new_unit;
    }
    Compare(log::BlockDepartures(protocol_, grower, block, before),
            log::BlockDepartures(protocol_, grower, new_block, after));
    return absl::OkStatus();
  }

  void Compare(const std::vector<Departure>& before, const std::vector<Departure>& after) {
    for (const Departure& departure : log::NewDepartures(before, after)) {
      const absl::string_view id = log::RuleIdOf(protocol_, departure);
      if (++told_[std::string(id)] > kMostFindingsOfRule) continue;
      Follow(departure.rule, FieldOf(departure), log::Describe(protocol_, departure));
    }
  }

  // Path of the fact's answer to `variable`.
  std::string ValuePath(absl::string_view variable) const {
    return Path(absl::StrCat(log::FactName(placed_.kind), ".values[", variable, "]"));
  }

  // The field that a departure from a declared rule is about: an answer, else the day.
  std::string FieldOf(const Departure& departure) const {
    if (departure.rule != protocol::kNone) {
      const study::v1::Rule& rule = protocol_.rule(departure.rule);
      if (!rule.same_across_arms().variable().empty()) {
        return ValuePath(rule.same_across_arms().variable());
      }
      if (rule.has_monotone()) return ValuePath(rule.monotone().variable());
    }
    return Path("happened_on");
  }

  void Follow(int rule, const std::string& field, v1::Finding finding) {
    const study::v1::RuleOutcome outcome = rule == protocol::kNone
                                               ? study::v1::RULE_OUTCOME_DEVIATION
                                               : protocol_.rule(rule).outcome();
    if (outcome == study::v1::RULE_OUTCOME_REFUSE) {
      Refuse(field, "rule_broken", absl::StrCat("rule ", finding.rule(), ": ", finding.message()),
             protocol_.rule(rule).words().text());
    } else if (outcome == study::v1::RULE_OUTCOME_DEVIATION) {
      *judgement_->add_deviations() = std::move(finding);
    } else {
      *judgement_->add_notes() = std::move(finding);
    }
  }

  const v1::Record& record_;
  const CompiledProtocol& protocol_;
  const store::StudyName& study_;
  log::StateSpace& space_;
  const Effect& effect_;
  const PlacedFact& placed_;
  v1::Judgement* const judgement_;
  absl::flat_hash_map<std::string, int> told_;
};

// True if a stated id is another than the one of the record that is corrected.
bool Differs(const std::string& stated, const std::string& placed) {
  return !stated.empty() && !placed.empty() && stated != placed;
}

// A correction must be one of a taken record, of its kind and place.
absl::Status JudgeCorrection(const v1::Record& record, const store::StudyName& study,
                             log::StateSpace& space, log::Fold& fold, Effect* effect,
                             v1::Judgement* judgement) {
  PLUMULE_ASSIGN_OR_RETURN(const auto index, space.Index(study, effect->corrects));
  if (index->standing() == log::STANDING_REFUSED) {
    AddProblem("corrected.corrects", "corrected_record_refused",
               "the record that it corrects was refused", "send the right one as a new record",
               judgement);
    return absl::OkStatus();
  }
  PLUMULE_ASSIGN_OR_RETURN(const v1::LogEntry entry, space.Entry(study, index->sequence()));
  const v1::Record& target = entry.record();
  const std::optional<FactKind> kind = log::KindOf(target);
  if (!kind) {
    AddProblem("corrected.corrects", "corrects_no_fact",
               "it names a correction, or a record of the server's own",
               "name the first record, the one that said what was wrong", judgement);
    return absl::OkStatus();
  }
  const v1::Record& replacement = record.corrected().replacement();
  if (record.corrected().has_replacement() && log::KindOf(replacement) != kind) {
    AddProblem("corrected.replacement", "correction_of_another_kind",
               absl::StrCat("the record that it corrects says “", log::FactName(*kind), "”"),
               "give a fact of that kind, or withdraw the record and send a new one", judgement);
  }
  for (const v1::Record* stated : {&record, &replacement}) {
    if (Differs(stated->grower(), target.grower()) || Differs(stated->block(), target.block()) ||
        Differs(stated->unit(), target.unit())) {
      AddProblem("corrected", "correction_elsewhere",
                 "the record that it corrects is of another grower, block or unit",
                 "withdraw that record and send a new one", judgement);
      break;
    }
  }
  if (!judgement->problems().empty()) return absl::OkStatus();
  return fold.Complete(effect);
}

}  // namespace

absl::Status JudgeAgainstState(const v1::Record& record, const CompiledProtocol& protocol,
                               const store::StudyName& study, log::StateSpace& space,
                               log::Fold& fold, Effect* effect, v1::Judgement* judgement) {
  if (!effect->corrects.empty()) {
    PLUMULE_RETURN_IF_ERROR(JudgeCorrection(record, study, space, fold, effect, judgement));
    if (!judgement->problems().empty()) return absl::OkStatus();
  }
  return Hearing(record, protocol, study, space, *effect, judgement).Judge();
}

}  // namespace plumule::intake
