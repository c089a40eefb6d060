// Random records, most of them unfit, against a model of its own that says of each whether it is
// kept, waits or is refused. The model holds no day but those of a unit's facts, and no values.
#include <gtest/gtest.h>
#include <rapidcheck.h>
#include <rapidcheck/gtest.h>

#include <algorithm>
#include <deque>
#include <map>
#include <optional>
#include <set>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "server/log/log_reader.h"
#include "server/log/study_reader.h"
#include "tests/unit/intake/open_study.h"

namespace plumule::intake {
namespace {

using Kind = v1::Record::FactCase;

enum class Fate { kKept, kWaits, kRefused };

// One fact that counts, by its place. A place is "grower", "block", "unit" or a record id.
struct Said {
  std::string record;
  std::string day;
};

class Model {
 public:
  // What becomes of `record` now.
  Fate Send(const v1::Record& record) {
    const std::string& id = record.record_id();
    if (const auto known = fates_.find(id); known != fates_.end()) {
      if (known->second != Fate::kRefused) {
        return contents_.at(id) == record.SerializeAsString() ? known->second : Fate::kRefused;
      }
    }
    const std::string missing = Missing(record);
    if (missing.empty() && !Fits(record)) return Fate::kRefused;
    contents_[id] = record.SerializeAsString();
    records_[id] = record;
    fates_[id] = missing.empty() ? Fate::kKept : Fate::kWaits;
    if (missing.empty()) {
      Apply(record);
      Settle(record);
    } else {
      waiting_[missing].push_back(record);
    }
    return fates_[id];
  }

  const std::map<std::string, Fate>& fates() const { return fates_; }
  std::size_t Count(Kind kind) const {
    const auto found = facts_.find(kind);
    return found == facts_.end() ? 0 : found->second.size();
  }
  std::int64_t Waiting() const {
    return std::count_if(fates_.begin(), fates_.end(),
                         [](const auto& fate) { return fate.second == Fate::kWaits; });
  }

 private:
  static std::string PlaceOf(const v1::Record& record) {
    switch (record.fact_case()) {
      case Kind::kJoined:
      case Kind::kWithdrew:
        return record.grower();
      case Kind::kBlockStarted:
        return record.block();
      case Kind::kObserved:
        return absl::StrCat(UnitOf(record), "/", record.record_id());
      default:
        return UnitOf(record);
    }
  }
  static std::string UnitOf(const v1::Record& record) {
    return absl::StrCat(record.block(), "/", record.unit());
  }
  const Said* Find(Kind kind, const std::string& place) const {
    const auto facts = facts_.find(kind);
    if (facts == facts_.end()) return nullptr;
    const auto found = facts->second.find(place);
    return found == facts->second.end() ? nullptr : &found->second;
  }
  std::string GrowerOf(const v1::Record& record) const {
    if (!record.grower().empty()) return record.grower();
    const auto found = owners_.find(record.block());
    return found == owners_.end() ? "" : found->second;
  }

  // What a fact rests on, if that is not there.
  std::string MissingPlace(const v1::Record& record) const {
    const auto unless = [&](Kind kind, const std::string& place, absl::string_view what) {
      return Find(kind, place) != nullptr ? "" : absl::StrCat(what, " ", place);
    };
    switch (record.fact_case()) {
      case Kind::kJoined:
        return "";
      case Kind::kBlockStarted:
      case Kind::kWithdrew:
        return unless(Kind::kJoined, record.grower(), "grower");
      case Kind::kUnitStarted:
        return unless(Kind::kBlockStarted, record.block(), "block");
      default:
        return unless(Kind::kUnitStarted, UnitOf(record), "unit");
    }
  }
  std::string Missing(const v1::Record& record) const {
    if (!record.has_corrected()) return MissingPlace(record);
    const auto target = fates_.find(record.corrected().corrects());
    const bool judged = target != fates_.end() && target->second != Fate::kWaits;
    return judged ? "" : absl::StrCat("record ", record.corrected().corrects());
  }

  bool Fits(const v1::Record& record) const {
    if (!record.has_corrected()) return !HasLeft(record) && Holds(record, record, "");
    const std::string& corrects = record.corrected().corrects();
    if (fates_.at(corrects) == Fate::kRefused) return false;
    const v1::Record& target = records_.at(corrects);
    if (target.has_corrected() || HasLeft(target)) return false;
    if (!record.corrected().has_replacement()) {
      const Said* said = Find(target.fact_case(), PlaceOf(target));
      return said == nullptr || said->record != corrects || !HasDependents(target);
    }
    return MissingPlace(target).empty() &&
           Holds(record.corrected().replacement(), target, corrects);
  }
  bool HasLeft(const v1::Record& record) const {
    return !record.has_withdrew() && Find(Kind::kWithdrew, GrowerOf(record)) != nullptr;
  }
  // What `said` says can stand in the place of `where`.
  bool Holds(const v1::Record& said, const v1::Record& where, const std::string& corrects) const {
    const Said* there = Find(where.fact_case(), PlaceOf(where));
    if (there != nullptr && there->record != corrects) return false;
    if (said.has_unit_started()) {
      for (const std::string& day : DaysOf(UnitOf(where))) {
        if (day < said.happened_on()) return false;
      }
      return true;
    }
    const Said* start = where.unit().empty() ? nullptr : Find(Kind::kUnitStarted, UnitOf(where));
    return start == nullptr || said.happened_on() >= start->day;
  }
  std::vector<std::string> DaysOf(const std::string& unit) const {
    std::vector<std::string> days;
    for (const auto& [kind, facts] : facts_) {
      if (kind != Kind::kObserved && kind != Kind::kReached && kind != Kind::kLost) continue;
      for (const auto& [place, said] : facts) {
        if (place == unit || absl::StartsWith(place, unit + "/")) days.push_back(said.day);
      }
    }
    return days;
  }
  bool HasDependents(const v1::Record& record) const {
    if (record.has_unit_started()) return !DaysOf(UnitOf(record)).empty();
    if (record.has_joined()) {
      return std::any_of(owners_.begin(), owners_.end(),
                         [&](const auto& owner) { return owner.second == record.grower(); });
    }
    if (!record.has_block_started()) return false;
    const auto units = facts_.find(Kind::kUnitStarted);
    return units != facts_.end() &&
           std::any_of(units->second.begin(), units->second.end(), [&](const auto& unit) {
             return absl::StartsWith(unit.first, record.block() + "/");
           });
  }

  void Apply(const v1::Record& record) {
    if (!record.has_corrected()) return Put(record, record.happened_on());
    const v1::Record& target = records_.at(record.corrected().corrects());
    if (record.corrected().has_replacement()) {
      return Put(target, record.corrected().replacement().happened_on());
    }
    const Said* said = Find(target.fact_case(), PlaceOf(target));
    if (said == nullptr || said->record != target.record_id()) return;
    facts_[target.fact_case()].erase(PlaceOf(target));
    if (target.has_block_started()) owners_.erase(target.block());
  }
  void Put(const v1::Record& record, const std::string& day) {
    facts_[record.fact_case()][PlaceOf(record)] = {record.record_id(), day};
    if (record.has_block_started()) owners_[record.block()] = record.grower();
  }

  // What became possible, in the order in which it did.
  void Settle(const v1::Record& first) {
    std::deque<v1::Record> settled = {first};
    for (; !settled.empty(); settled.pop_front()) {
      for (const std::string& arrived : ArrivedWith(settled.front())) {
        for (const v1::Record& record : std::exchange(waiting_[arrived], {})) {
          const bool fits = Fits(record);
          fates_[record.record_id()] = fits ? Fate::kKept : Fate::kRefused;
          if (fits) Apply(record);
          settled.push_back(record);
        }
      }
    }
  }
  std::vector<std::string> ArrivedWith(const v1::Record& record) const {
    std::vector<std::string> arrived;
    const bool kept = fates_.at(record.record_id()) == Fate::kKept;
    const bool corrects = record.has_corrected();
    if (kept && (!corrects || record.corrected().has_replacement())) {
      const v1::Record& said = corrects ? records_.at(record.corrected().corrects()) : record;
      if (said.has_joined()) arrived.push_back("grower " + said.grower());
      if (said.has_block_started()) arrived.push_back("block " + said.block());
      if (said.has_unit_started()) arrived.push_back("unit " + UnitOf(said));
    }
    arrived.push_back("record " + record.record_id());
    return arrived;
  }

  std::map<std::string, Fate> fates_;
  std::map<std::string, std::string> contents_;
  std::map<std::string, v1::Record> records_;
  std::map<Kind, std::map<std::string, Said>> facts_;
  std::map<std::string, std::string> owners_;  // block → grower
  std::map<std::string, std::vector<v1::Record>> waiting_;
};

// The good definition without the rules that refuse by several records.
study::v1::Protocol Lenient() {
  study::v1::Protocol definition = OpenStudy::Definition();
  definition.mutable_block()->set_max_blocks_per_grower(10);
  auto* rules = definition.mutable_rules();
  rules->erase(std::remove_if(rules->begin(), rules->end(),
                              [](const auto& rule) { return rule.id() == "in_order"; }),
               rules->end());
  return definition;
}

std::string SomeDay() { return absl::StrFormat("2027-03-%02d", *rc::gen::inRange(5, 31)); }

// One record: new, the same again, other content under a used id, or a correction.
v1::Record SomeRecord(RecordMaker& make, const std::vector<v1::Record>& sent) {
  const std::string grower = absl::StrCat("g", *rc::gen::inRange(0, 2));
  const std::string block = absl::StrCat("b", *rc::gen::inRange(0, 2));
  const std::string unit = absl::StrCat("u", *rc::gen::inRange(0, 2));
  const std::string day = SomeDay();
  const int what = *rc::gen::inRange(0, sent.empty() ? 12 : 22);
  if (what < 2) return make.Joined(grower);
  if (what < 4) return make.BlockStarted(grower, block);
  if (what < 7) return make.UnitStarted(block, unit, "high", day);
  if (what < 9) return make.Observed(block, unit, day, {Number("shoot", 1, "mm")});
  if (what == 9) return make.Reached(block, unit, "rooted", day);
  if (what == 10) return make.Lost(block, unit, "rotted", day);
  if (what == 11) {
    v1::Record withdrew = make.Withdrew(grower, true);
    withdrew.set_happened_on(day);
    return withdrew;
  }
  const v1::Record& earlier = sent[*rc::gen::inRange<std::size_t>(0, sent.size())];
  if (what == 12) return earlier;
  v1::Record other = earlier;
  other.set_happened_on(day);
  if (what == 13) return other;
  if (what < 18 || earlier.has_corrected()) return make.Withdrawn(earlier);
  return make.Corrected(earlier, other);
}

Fate FateOf(const v1::Judgement& judgement) {
  switch (judgement.outcome()) {
    case v1::OUTCOME_PENDING:
      return Fate::kWaits;
    case v1::OUTCOME_REFUSED:
      return Fate::kRefused;
    default:
      return Fate::kKept;
  }
}

RC_GTEST_PROP(OutcomeModel, AgreesOnEveryAnswerAndOnWhatCountsInTheEnd, ()) {
  OpenStudy study(Lenient());
  RecordMaker make;
  Model model;
  std::vector<v1::Record> sent;
  const int count = *rc::gen::inRange(1, 80);
  for (int i = 0; i < count; ++i) {
    const v1::Record record = SomeRecord(make, sent);
    sent.push_back(record);
    const Fate expected = model.Send(record);
    const v1::Judgement judgement = study.Judge(record);
    RC_LOG() << record.ShortDebugString() << "\n  " << judgement.ShortDebugString() << "\n";
    RC_ASSERT(FateOf(judgement) == expected);
  }
  const v1::Progress progress = *log::ReadProgress(study.store(), study.name());
  const auto counted = [&](Kind kind) { return static_cast<std::int64_t>(model.Count(kind)); };
  RC_ASSERT(progress.growers() == counted(Kind::kJoined));
  RC_ASSERT(progress.withdrawn() == counted(Kind::kWithdrew));
  RC_ASSERT(progress.blocks() == counted(Kind::kBlockStarted));
  RC_ASSERT(progress.units() == counted(Kind::kUnitStarted));
  RC_ASSERT(progress.observations() == counted(Kind::kObserved));
  RC_ASSERT((progress.lost_size() == 0 ? 0 : progress.lost(0).count()) == counted(Kind::kLost));
  RC_ASSERT(progress.pending() == model.Waiting());
  // How each stands now, settled ones included.
  for (const v1::Record& record : sent) {
    const auto fate = model.fates().find(record.record_id());
    if (fate == model.fates().end() || fate->second == Fate::kRefused) continue;
    RC_ASSERT(FateOf(study.Judge(record)) == model.Send(record));
  }
  store::MemoryStore fresh;
  RC_ASSERT(log::RebuildState(study.store(), study.name(), fresh).ok());
}

}  // namespace
}  // namespace plumule::intake
