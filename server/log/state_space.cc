#include "server/log/state_space.h"

#include <optional>
#include <utility>

#include "server/log/log_reader.h"
#include "server/log/stored_log.h"
#include "server/log/unreadable_state.h"
#include "server/protocol/status_macros.h"
#include "server/store/keys.h"

namespace plumule::log {
namespace {

constexpr bool kPassing = true;

}  // namespace

StateSpace::StateSpace(const store::Reader& states, const store::Reader& log,
                       std::size_t cache_bytes)
    : states_(states), log_(log), cache_bytes_(cache_bytes) {}

template <typename T>
absl::StatusOr<StateOf<T>> StateSpace::Find(std::string key, bool passing) {
  if (const auto young = young_.find(key); young != young_.end()) {
    return StateOf<T>(young->second.get(), std::move(key), &changes_);
  }
  std::unique_ptr<StateSlot> slot;
  if (const auto old = old_.find(key); old != old_.end()) {
    slot = std::move(old->second);
    old_.erase(old);
  } else {
    auto message = std::make_unique<T>();
    PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::string> bytes, states_.Get(key));
    if (bytes && !message->ParseFromString(*bytes)) return UnreadableState(key);
    slot = std::make_unique<StateSlot>();
    slot->bytes = key.size() + (bytes ? bytes->size() : 0);
    slot->message = std::move(message);
    slot->passing = passing;
  }
  if (passing) passing_.push_back(key);
  young_bytes_ += slot->bytes;
  StateSlot* const kept = slot.get();
  young_.emplace(key, std::move(slot));
  return StateOf<T>(kept, std::move(key), &changes_);
}

absl::StatusOr<StateOf<StudyState>> StateSpace::Study(const store::StudyName& study) {
  return Find<StudyState>(store::StudyStateKey(study));
}
absl::StatusOr<StateOf<GrowerState>> StateSpace::Grower(const store::StudyName& study,
                                                        absl::string_view grower) {
  return Find<GrowerState>(store::GrowerKey(study, grower));
}
absl::StatusOr<StateOf<BlockState>> StateSpace::Block(const store::StudyName& study,
                                                      absl::string_view block) {
  return Find<BlockState>(store::BlockKey(study, block));
}
absl::StatusOr<StateOf<UnitState>> StateSpace::Unit(const store::StudyName& study,
                                                    absl::string_view block,
                                                    absl::string_view unit) {
  return Find<UnitState>(store::UnitKey(study, block, unit));
}
absl::StatusOr<StateOf<RecordIndex>> StateSpace::Index(const store::StudyName& study,
                                                       absl::string_view record_id) {
  return Find<RecordIndex>(store::RecordIndexKey(study, record_id), kPassing);
}
absl::StatusOr<StateOf<WaitList>> StateSpace::Waiting(const store::StudyName& study,
                                                      absl::string_view prerequisite) {
  return Find<WaitList>(store::WaitKey(study, prerequisite), kPassing);
}
absl::StatusOr<StateOf<PendingState>> StateSpace::Pending(const store::StudyName& study,
                                                          std::int64_t sequence) {
  return Find<PendingState>(store::PendingKey(study, sequence), kPassing);
}
absl::StatusOr<StateOf<UniqueCount>> StateSpace::Unique(const store::StudyName& study,
                                                        absl::string_view variable,
                                                        absl::string_view digest) {
  return Find<UniqueCount>(store::UniqueKey(study, variable, digest), kPassing);
}
absl::StatusOr<StateOf<study::v1::Freeze>> StateSpace::Freeze(const store::StudyName& study,
                                                              std::int64_t number) {
  return Find<study::v1::Freeze>(store::FreezeKey(study, number), kPassing);
}
absl::StatusOr<StateOf<RefusedState>> StateSpace::Refused(const store::StudyName& study,
                                                          absl::string_view record_id) {
  return Find<RefusedState>(store::RefusedKey(study, record_id), kPassing);
}
absl::StatusOr<StateOf<RefusedCount>> StateSpace::Refusals(const store::StudyName& study) {
  return Find<RefusedCount>(store::RefusedCountKey(study));
}

void StateSpace::SetRefusedArrival(const store::StudyName& study, std::int64_t arrival,
                                   const std::string& record_id) {
  refused_arrivals_[store::RefusedArrivalKey(study, arrival)] = record_id;
}

void StateSpace::ClearRefusedArrival(const store::StudyName& study, std::int64_t arrival) {
  refused_arrivals_[store::RefusedArrivalKey(study, arrival)].clear();
}

void StateSpace::AddEntry(const store::StudyName& study, std::int64_t sequence, std::string bytes) {
  entries_[store::LogEntryKey(study, sequence)] = std::move(bytes);
}

absl::StatusOr<intake::v1::LogEntry> StateSpace::Entry(const store::StudyName& study,
                                                       std::int64_t sequence) const {
  const auto found = entries_.find(store::LogEntryKey(study, sequence));
  if (found == entries_.end()) return ReadEntry(log_, study, sequence);
  intake::v1::LogEntry entry;
  if (!entry.ParseFromString(found->second)) {
    return LogDamaged(study, sequence, "can't be read");
  }
  return entry;
}

void StateSpace::WriteChanges(store::WriteBatch* batch) {
  for (const auto& [key, slot] : changes_) {
    std::string bytes = slot->message->SerializeAsString();
    // All that changed is young: turns come between batches.
    young_bytes_ -= slot->bytes;
    slot->bytes = key.size() + bytes.size();
    young_bytes_ += slot->bytes;
    if (bytes.empty()) {
      batch->Delete(key);
    } else {
      batch->Put(key, std::move(bytes));
    }
  }
  for (const auto& [key, record_id] : refused_arrivals_) {
    if (record_id.empty()) {
      batch->Delete(key);
    } else {
      batch->Put(key, record_id);
    }
  }
}

void StateSpace::EndBatch() {
  for (const auto& [key, slot] : changes_) slot->changed = false;
  changes_.clear();
  entries_.clear();
  refused_arrivals_.clear();
  for (const std::string& key : passing_) {
    const auto passing = young_.find(key);
    young_bytes_ -= passing->second->bytes;
    young_.erase(passing);
  }
  passing_.clear();
  if (young_bytes_ <= cache_bytes_ / 2) return;
  old_ = std::move(young_);
  young_.clear();
  young_bytes_ = 0;
}

}  // namespace plumule::log
