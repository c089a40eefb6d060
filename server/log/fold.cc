#include "server/log/fold.h"

#include <algorithm>
#include <vector>

#include "absl/strings/str_cat.h"
#include "server/log/answers.h"
#include "server/log/days.h"
#include "server/log/fact_lists.h"
#include "server/log/tallies.h"
#include "server/protocol/civil_date.h"
#include "server/protocol/status_macros.h"

namespace plumule::log {
namespace {

using intake::v1::Record;
using protocol::CompiledProtocol;

std::int32_t DayIn(const std::string& date) {
  return DayNumber(protocol::ParseDate(date).value_or(absl::CivilDay(1970, 1, 1)));
}

void FillFact(const Record& record, FactKind kind, const CompiledProtocol& protocol,
              const protocol::Reading& reading, PlacedFact* placed) {
  placed->kind = kind;
  placed->grower = record.grower();
  placed->block = record.block();
  placed->unit = record.unit();
  Fact& fact = placed->fact;
  fact.set_day(DayIn(record.happened_on()));
  for (const auto& [variable, value] : reading.values) {
    *fact.add_answers() = ToAnswer(protocol, variable, value);
  }
  if (record.has_unit_started()) fact.set_code(record.unit_started().arm());
  if (record.has_lost()) fact.set_code(record.lost().cause());
  if (record.has_photo_added()) fact.set_code(record.photo_added().digest());
  if (record.has_withdrew()) {
    fact.set_keep_earlier_records(record.withdrew().keep_earlier_records());
  }
  if (record.has_reached()) {
    fact.set_code(record.reached().threshold());
    if (!record.reached().not_yet_on().empty()) {
      fact.set_not_yet_day(DayIn(record.reached().not_yet_on()));
    }
  }
}

bool IsOwnRule(const CompiledProtocol& protocol, const std::string& id) {
  if (id == "late_start" || id == "late_entry") return true;
  for (const study::v1::Rule& rule : protocol.definition().rules()) {
    if (rule.id() == id) {
      return rule.has_one_of() || rule.has_not_only() || rule.has_range() ||
             rule.has_required_when();
    }
  }
  return false;
}

bool IsOfUnit(FactKind kind) {
  return kind != FactKind::kJoined && kind != FactKind::kWithdrew &&
         kind != FactKind::kBlockStarted;
}

bool IsOfGrower(FactKind kind) { return kind == FactKind::kJoined || kind == FactKind::kWithdrew; }

}  // namespace

study::v1::Scope ScopeOf(FactKind kind) {
  switch (kind) {
    case FactKind::kJoined:
      return study::v1::SCOPE_GROWER;
    case FactKind::kBlockStarted:
      return study::v1::SCOPE_BLOCK;
    case FactKind::kUnitStarted:
      return study::v1::SCOPE_UNIT;
    case FactKind::kObserved:
      return study::v1::SCOPE_OBSERVATION;
    default:
      return study::v1::SCOPE_UNSPECIFIED;
  }
}

absl::string_view FactName(FactKind kind) {
  switch (kind) {
    case FactKind::kJoined:
      return "joined";
    case FactKind::kBlockStarted:
      return "block_started";
    case FactKind::kUnitStarted:
      return "unit_started";
    case FactKind::kObserved:
      return "observed";
    case FactKind::kReached:
      return "reached";
    case FactKind::kLost:
      return "lost";
    case FactKind::kPhoto:
      return "photo_added";
    case FactKind::kWithdrew:
      return "withdrew";
  }
  return "";
}

std::optional<FactKind> KindOf(const Record& record) {
  switch (record.fact_case()) {
    case Record::kJoined:
      return FactKind::kJoined;
    case Record::kBlockStarted:
      return FactKind::kBlockStarted;
    case Record::kUnitStarted:
      return FactKind::kUnitStarted;
    case Record::kObserved:
      return FactKind::kObserved;
    case Record::kReached:
      return FactKind::kReached;
    case Record::kLost:
      return FactKind::kLost;
    case Record::kPhotoAdded:
      return FactKind::kPhoto;
    case Record::kWithdrew:
      return FactKind::kWithdrew;
    default:
      return std::nullopt;
  }
}

const google::protobuf::RepeatedPtrField<study::v1::NamedValue>* ValuesOf(const Record& record) {
  switch (record.fact_case()) {
    case Record::kJoined:
      return &record.joined().values();
    case Record::kBlockStarted:
      return &record.block_started().values();
    case Record::kUnitStarted:
      return &record.unit_started().values();
    case Record::kObserved:
      return &record.observed().values();
    default:
      return nullptr;
  }
}

void ReadAnswers(const Record& record, const CompiledProtocol& protocol,
                 protocol::Reading* reading) {
  reading->Clear();
  const bool corrects = record.has_corrected();
  const Record& said = corrects ? record.corrected().replacement() : record;
  const std::optional<FactKind> kind = KindOf(said);
  if (!kind) return;
  const auto* values = ValuesOf(said);
  if (values == nullptr) return;
  const std::string path =
      absl::StrCat(corrects ? "corrected.replacement." : "", FactName(*kind), ".values");
  protocol.ReadValues(
      *values, ScopeOf(*kind), path, reading,
      corrects ? protocol::AbsentValue::kClears : protocol::AbsentValue::kIsRefused);
}

Effect EffectOf(const Record& record, const CompiledProtocol& protocol,
                const protocol::Reading& reading) {
  Effect effect;
  effect.placed.fact.set_revision(record.protocol_revision());
  if (!record.has_corrected()) {
    effect.placed.fact.set_record_id(record.record_id());
    FillFact(record, *KindOf(record), protocol, reading, &effect.placed);
    return effect;
  }
  const intake::v1::Corrected& corrected = record.corrected();
  effect.corrects = corrected.corrects();
  effect.placed.fact.set_record_id(corrected.corrects());
  effect.withdraws = !corrected.has_replacement();
  if (!effect.withdraws) {
    FillFact(corrected.replacement(), *KindOf(corrected.replacement()), protocol, reading,
             &effect.placed);
  }
  return effect;
}

void KeepOwnDeviations(const CompiledProtocol& protocol, const intake::v1::Judgement& judgement,
                       Fact* fact) {
  for (const intake::v1::Finding& finding : judgement.deviations()) {
    if (!IsOwnRule(protocol, finding.rule())) continue;
    OwnDeviation* kept = fact->add_deviations();
    kept->set_rule(finding.rule());
    kept->set_leaves_primary_set(finding.leaves_primary_set());
  }
}

absl::StatusOr<std::string> Fold::MissingPrerequisite(const Effect& effect) {
  if (!effect.corrects.empty()) {
    PLUMULE_ASSIGN_OR_RETURN(const auto index, space_.Index(study_, effect.corrects));
    const bool known = index->standing() == STANDING_TAKEN || index->standing() == STANDING_REFUSED;
    return known ? "" : absl::StrCat("record/", effect.corrects);
  }
  const PlacedFact& placed = effect.placed;
  switch (placed.kind) {
    case FactKind::kJoined:
      return "";
    case FactKind::kWithdrew:
    case FactKind::kBlockStarted: {
      PLUMULE_ASSIGN_OR_RETURN(const auto grower, space_.Grower(study_, placed.grower));
      return grower->has_joined() ? "" : absl::StrCat("grower/", placed.grower);
    }
    case FactKind::kUnitStarted: {
      PLUMULE_ASSIGN_OR_RETURN(const auto block, space_.Block(study_, placed.block));
      return block->has_started() ? "" : absl::StrCat("block/", placed.block);
    }
    default: {
      PLUMULE_ASSIGN_OR_RETURN(const auto unit, space_.Unit(study_, placed.block, placed.unit));
      return unit->has_started() ? "" : absl::StrCat("unit/", placed.block, "/", placed.unit);
    }
  }
}

absl::Status Fold::Complete(Effect* effect) {
  PLUMULE_ASSIGN_OR_RETURN(const auto index, space_.Index(study_, effect->corrects));
  PLUMULE_ASSIGN_OR_RETURN(const intake::v1::LogEntry entry,
                           space_.Entry(study_, index->sequence()));
  const Record& target = entry.record();
  // Corrections of corrections and of the server's own records are refused before they come here.
  if (const std::optional<FactKind> kind = KindOf(target)) effect->placed.kind = *kind;
  effect->placed.grower = target.grower();
  effect->placed.block = target.block();
  effect->placed.unit = target.unit();
  return absl::OkStatus();
}

void Fold::ChangeFacts(const Effect& effect, GrowerState* grower, BlockState* block,
                       UnitState* unit) {
  const PlacedFact& placed = effect.placed;
  const Fact* put = effect.withdraws ? nullptr : &placed.fact;
  switch (placed.kind) {
    case FactKind::kJoined:
      ChangeOne(put, grower, &GrowerState::mutable_joined, &GrowerState::clear_joined);
      break;
    case FactKind::kWithdrew:
      ChangeOne(put, grower, &GrowerState::mutable_withdrew, &GrowerState::clear_withdrew);
      break;
    case FactKind::kBlockStarted:
      ChangeId(placed.block, put != nullptr, grower->mutable_blocks());
      if (put) {
        *block->mutable_started() = *put;
        block->set_grower(placed.grower);
      } else {
        block->clear_started();
        block->clear_grower();
      }
      break;
    case FactKind::kUnitStarted:
      ChangeId(placed.unit, put != nullptr, block->mutable_units());
      ChangeOne(put, unit, &UnitState::mutable_started, &UnitState::clear_started);
      break;
    case FactKind::kObserved:
      ChangeFact(effect.corrects, put, &LookBefore, unit->mutable_looks());
      break;
    case FactKind::kReached:
      ChangeFact(effect.corrects, put, &ReportBefore, unit->mutable_reached());
      break;
    case FactKind::kLost:
      ChangeOne(put, unit, &UnitState::mutable_lost, &UnitState::clear_lost);
      break;
    case FactKind::kPhoto:
      ChangeFact(effect.corrects, put, &PhotoBefore, unit->mutable_photos());
      break;
  }
}

const Fact* FindFact(const PlacedFact& place, const std::string& record_id,
                     const GrowerState& grower, const BlockState& block, const UnitState& unit) {
  const auto single = [&](bool there, const Fact& fact) {
    return there && fact.record_id() == record_id ? &fact : nullptr;
  };
  const auto among = [&](const google::protobuf::RepeatedPtrField<Fact>& facts) -> const Fact* {
    for (const Fact& fact : facts) {
      if (fact.record_id() == record_id) return &fact;
    }
    return nullptr;
  };
  switch (place.kind) {
    case FactKind::kJoined:
      return single(grower.has_joined(), grower.joined());
    case FactKind::kWithdrew:
      return single(grower.has_withdrew(), grower.withdrew());
    case FactKind::kBlockStarted:
      return single(block.has_started(), block.started());
    case FactKind::kUnitStarted:
      return single(unit.has_started(), unit.started());
    case FactKind::kObserved:
      return among(unit.looks());
    case FactKind::kReached:
      return among(unit.reached());
    case FactKind::kLost:
      return single(unit.has_lost(), unit.lost());
    case FactKind::kPhoto:
      return among(unit.photos());
  }
  return nullptr;
}

std::string UniqueDigest(const Answer& answer) {
  return HashBytes(Sha256(answer.SerializeAsString()));
}

absl::Status Fold::ChangeUnique(const Fact& fact, std::int64_t by) {
  PLUMULE_ASSIGN_OR_RETURN(const auto protocol, protocols_(fact.revision()));
  for (const protocol::CompiledUnique& rule : protocol->unique_in_study()) {
    const std::string& variable = protocol->variable(rule.variable).id();
    const Answer* answer = FindAnswer(fact, variable);
    if (answer == nullptr) continue;
    PLUMULE_ASSIGN_OR_RETURN(auto count, space_.Unique(study_, variable, UniqueDigest(*answer)));
    count.Change()->set_holders(count->holders() + by);
  }
  return absl::OkStatus();
}

absl::Status Fold::Apply(const Effect& effect) {
  const PlacedFact& placed = effect.placed;
  PLUMULE_ASSIGN_OR_RETURN(auto study, space_.Study(study_));
  PLUMULE_ASSIGN_OR_RETURN(const auto newest, protocols_(study->revision_sequences_size()));
  // Places that the fact does not have are loaded all the same, as states without a key: they stay
  // empty and are never marked as changed.
  PLUMULE_ASSIGN_OR_RETURN(auto block, space_.Block(study_, placed.block));
  const std::string grower_id = placed.grower.empty() ? block->grower() : placed.grower;
  PLUMULE_ASSIGN_OR_RETURN(auto grower, space_.Grower(study_, grower_id));
  PLUMULE_ASSIGN_OR_RETURN(auto unit, space_.Unit(study_, placed.block, placed.unit));

  if (!effect.corrects.empty()) {
    const Fact* old = FindFact(placed, effect.corrects, *grower, *block, *unit);
    // Withdrawn before: what stands in its place now is another's.
    if (old == nullptr && effect.withdraws) return absl::OkStatus();
    if (old != nullptr) PLUMULE_RETURN_IF_ERROR(ChangeUnique(*old, -1));
  }
  if (!effect.withdraws) PLUMULE_RETURN_IF_ERROR(ChangeUnique(placed.fact, 1));

  StudyState* counts = study.Change();
  const bool changes_grower = IsOfGrower(placed.kind) || placed.kind == FactKind::kBlockStarted;
  const bool changes_block =
      placed.kind == FactKind::kBlockStarted || placed.kind == FactKind::kUnitStarted;
  const bool changes_unit = IsOfUnit(placed.kind);
  CountGrower(*grower, -1, counts);
  CountBlock(*block, -1, counts);
  if (changes_unit) CountUnit(*unit, -1, counts);
  ChangeFacts(effect, changes_grower ? grower.Change() : nullptr,
              changes_block ? block.Change() : nullptr, changes_unit ? unit.Change() : nullptr);
  if (changes_unit) {
    NoteCounted(*newest, unit.Change());
    CountUnit(*unit, 1, counts);
  }
  CountBlock(*block, 1, counts);
  CountGrower(*grower, 1, counts);
  return absl::OkStatus();
}

absl::Status Fold::CountJudgement(const intake::v1::Judgement& judgement) {
  PLUMULE_ASSIGN_OR_RETURN(auto study, space_.Study(study_));
  StudyState* counts = study.Change();
  counts->set_taken(counts->taken() + 1);
  if (judgement.deviations().empty()) return absl::OkStatus();
  counts->set_with_deviations(counts->with_deviations() + 1);
  for (const intake::v1::Finding& finding : judgement.deviations()) {
    AddTally(finding.rule(), 1, counts->mutable_deviations());
  }
  return absl::OkStatus();
}

absl::Status Fold::Enter(const std::string& record_id, const Hash& digest, std::int64_t sequence,
                         Standing standing) {
  PLUMULE_ASSIGN_OR_RETURN(auto index, space_.Index(study_, record_id));
  RecordIndex* entered = index.Change();
  entered->set_digest(HashBytes(digest));
  entered->set_sequence(sequence);
  entered->clear_settlement_sequence();
  entered->set_standing(standing);
  return absl::OkStatus();
}

absl::Status Fold::Take(const Record& record, const Hash& digest, std::int64_t sequence,
                        const intake::v1::Judgement& judgement, const Effect& effect) {
  PLUMULE_RETURN_IF_ERROR(Enter(record.record_id(), digest, sequence, STANDING_TAKEN));
  PLUMULE_RETURN_IF_ERROR(CountJudgement(judgement));
  return Apply(effect);
}

absl::Status Fold::Wait(const Record& record, const Hash& digest, std::int64_t sequence,
                        const std::string& prerequisite) {
  PLUMULE_RETURN_IF_ERROR(Enter(record.record_id(), digest, sequence, STANDING_PENDING));
  PLUMULE_ASSIGN_OR_RETURN(auto waiting, space_.Waiting(study_, prerequisite));
  waiting.Change()->add_sequences(sequence);
  PLUMULE_ASSIGN_OR_RETURN(auto pending, space_.Pending(study_, sequence));
  pending.Change()->set_prerequisite(prerequisite);
  PLUMULE_ASSIGN_OR_RETURN(auto study, space_.Study(study_));
  study.Change()->set_pending(study->pending() + 1);
  return absl::OkStatus();
}

absl::Status Fold::Settle(const intake::v1::Settlement& settlement, std::int64_t sequence,
                          const Effect* effect) {
  PLUMULE_ASSIGN_OR_RETURN(auto index, space_.Index(study_, settlement.record_id()));
  index.Change()->set_settlement_sequence(sequence);
  index.Change()->set_standing(effect != nullptr ? STANDING_TAKEN : STANDING_REFUSED);

  PLUMULE_ASSIGN_OR_RETURN(auto pending, space_.Pending(study_, settlement.record_sequence()));
  PLUMULE_ASSIGN_OR_RETURN(auto waiting, space_.Waiting(study_, pending->prerequisite()));
  pending.Change()->Clear();
  auto* sequences = waiting.Change()->mutable_sequences();
  sequences->erase(std::remove(sequences->begin(), sequences->end(), settlement.record_sequence()),
                   sequences->end());
  PLUMULE_ASSIGN_OR_RETURN(auto study, space_.Study(study_));
  study.Change()->set_pending(study->pending() - 1);
  if (effect == nullptr) return absl::OkStatus();
  PLUMULE_RETURN_IF_ERROR(CountJudgement(settlement.judgement()));
  return Apply(*effect);
}

absl::Status Fold::TakeOwn(const intake::v1::LogEntry& entry, const Hash& digest,
                           const Hash& previous) {
  const Record& record = entry.record();
  PLUMULE_RETURN_IF_ERROR(Enter(record.record_id(), digest, entry.sequence(), STANDING_TAKEN));
  PLUMULE_ASSIGN_OR_RETURN(auto study, space_.Study(study_));
  StudyState* state = study.Change();
  if (record.has_published()) {
    if (state->phase() != study::v1::STUDY_STATE_CLOSED) {
      state->set_phase(study::v1::STUDY_STATE_OPEN);
    }
    state->set_title(record.published().protocol().words().title().text());
    state->add_revision_sequences(entry.sequence());
  } else if (record.has_closed()) {
    state->set_phase(study::v1::STUDY_STATE_CLOSED);
    state->set_closed_sequence(entry.sequence());
  } else if (record.has_frozen()) {
    state->set_freezes(record.frozen().number());
    state->set_frozen_sequence(entry.sequence());
    PLUMULE_ASSIGN_OR_RETURN(auto freeze, space_.Freeze(study_, record.frozen().number()));
    study::v1::Freeze* fixed = freeze.Change();
    fixed->set_name(absl::StrCat(study_.Format(), "/freezes/", record.frozen().number()));
    fixed->set_log_sequence(entry.sequence() - 1);
    fixed->set_log_hash(HashBytes(previous));
    fixed->set_dataset_digest(record.frozen().dataset_digest());
    fixed->set_units(record.frozen().units());
    fixed->set_blocks(record.frozen().blocks());
    *fixed->mutable_freeze_time() = entry.receive_time();
  } else if (record.has_excluded()) {
    Exclusion exclusion;
    exclusion.set_sequence(entry.sequence());
    exclusion.set_reason(record.excluded().reason());
    if (record.unit().empty()) {
      PLUMULE_ASSIGN_OR_RETURN(auto block, space_.Block(study_, record.block()));
      *block.Change()->add_exclusions() = exclusion;
    } else {
      PLUMULE_ASSIGN_OR_RETURN(auto unit, space_.Unit(study_, record.block(), record.unit()));
      *unit.Change()->add_exclusions() = exclusion;
    }
  }
  return absl::OkStatus();
}

}  // namespace plumule::log
