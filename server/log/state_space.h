// The folded state that a batch of records reads and changes: loaded from the store when first
// needed, kept between batches, written with the batch's log entries.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "absl/container/flat_hash_map.h"
#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "plumule/intake/v1/record.pb.h"
#include "server/log/chain.h"
#include "server/log/state.pb.h"
#include "server/store/store.h"
#include "server/store/study_name.h"

namespace plumule::log {

// One state in memory. An empty message means that the key does not exist.
struct StateSlot {
  std::unique_ptr<google::protobuf::MessageLite> message;
  std::size_t bytes = 0;
  bool changed = false;
  // Kept to the end of the batch only.
  bool passing = false;
};

// A state to read, and to change when marked so. Valid to the end of the batch.
template <typename T>
class StateOf {
 public:
  StateOf(StateSlot* slot, std::string key, std::vector<std::pair<std::string, StateSlot*>>* log)
      : slot_(slot), key_(std::move(key)), changes_(log) {}
  const T& operator*() const { return static_cast<const T&>(*slot_->message); }
  const T* operator->() const { return &**this; }
  // The message, for a change that is taken back before anything else reads it.
  T* Borrow() { return static_cast<T*>(slot_->message.get()); }
  // The message to change; it is written with the batch.
  T* Change() {
    if (!slot_->changed) {
      slot_->changed = true;
      changes_->emplace_back(key_, slot_);
    }
    return static_cast<T*>(slot_->message.get());
  }

 private:
  StateSlot* slot_;
  std::string key_;
  std::vector<std::pair<std::string, StateSlot*>>* changes_;
};

// One thread at a time. Nothing is loaded twice within a batch, and little between batches: what
// was used longest ago goes first, once `cache_bytes` of serialized state are held.
class StateSpace {
 public:
  // Reads states from `states` and entries from `log`: the same store, but in a rebuild. Both must
  // outlive it, and nobody else may change what is read here.
  StateSpace(const store::Reader& states, const store::Reader& log, std::size_t cache_bytes);

  // Each loads on first use. Errors: those of the store, DATA_LOSS (`store_damaged`).
  absl::StatusOr<StateOf<StudyState>> Study(const store::StudyName& study);
  absl::StatusOr<StateOf<GrowerState>> Grower(const store::StudyName& study,
                                              absl::string_view grower);
  absl::StatusOr<StateOf<BlockState>> Block(const store::StudyName& study, absl::string_view block);
  absl::StatusOr<StateOf<UnitState>> Unit(const store::StudyName& study, absl::string_view block,
                                          absl::string_view unit);
  absl::StatusOr<StateOf<RecordIndex>> Index(const store::StudyName& study,
                                             absl::string_view record_id);
  absl::StatusOr<StateOf<WaitList>> Waiting(const store::StudyName& study,
                                            absl::string_view prerequisite);
  absl::StatusOr<StateOf<PendingState>> Pending(const store::StudyName& study,
                                                std::int64_t sequence);
  absl::StatusOr<StateOf<UniqueCount>> Unique(const store::StudyName& study,
                                              absl::string_view variable, absl::string_view digest);
  absl::StatusOr<StateOf<study::v1::Freeze>> Freeze(const store::StudyName& study,
                                                    std::int64_t number);
  absl::StatusOr<StateOf<RefusedState>> Refused(const store::StudyName& study,
                                                absl::string_view record_id);
  absl::StatusOr<StateOf<RefusedCount>> Refusals(const store::StudyName& study);

  // Places of refused records in their order of arrival.
  void SetRefusedArrival(const store::StudyName& study, std::int64_t arrival,
                         const std::string& record_id);
  void ClearRefusedArrival(const store::StudyName& study, std::int64_t arrival);

  // Remembers an entry of this batch, so that Entry finds it before it is written.
  void AddEntry(const store::StudyName& study, std::int64_t sequence, std::string bytes);
  // An entry of this batch or of the store. DATA_LOSS (`log_damaged`).
  absl::StatusOr<intake::v1::LogEntry> Entry(const store::StudyName& study,
                                             std::int64_t sequence) const;

  // Adds all that was changed to `batch`.
  void WriteChanges(store::WriteBatch* batch);
  // The batch is written: begins the next.
  void EndBatch();

 private:
  using Slots = absl::flat_hash_map<std::string, std::unique_ptr<StateSlot>>;

  template <typename T>
  absl::StatusOr<StateOf<T>> Find(std::string key, bool passing = false);

  const store::Reader& states_;
  const store::Reader& log_;
  const std::size_t cache_bytes_;
  // Used since the last turn; used in the turn before. Together at most about `cache_bytes_`.
  Slots young_, old_;
  std::size_t young_bytes_ = 0;
  std::vector<std::string> passing_;
  std::vector<std::pair<std::string, StateSlot*>> changes_;
  absl::flat_hash_map<std::string, std::string> entries_;
  // Of this batch: record ids, empty for places that are no more.
  absl::flat_hash_map<std::string, std::string> refused_arrivals_;
};

}  // namespace plumule::log
