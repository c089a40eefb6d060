// The fold: how each entry of a log changes what is known. The one place where state changes, for
// records as they come and for a rebuild from the log alike.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "absl/status/status.h"
#include "absl/status/statusor.h"
#include "plumule/intake/v1/record.pb.h"
#include "server/log/chain.h"
#include "server/log/state_space.h"
#include "server/protocol/compiled_protocol.h"
#include "server/store/study_name.h"

namespace plumule::log {

// What growers' records say.
enum class FactKind {
  kJoined,
  kBlockStarted,
  kUnitStarted,
  kObserved,
  kReached,
  kLost,
  kPhoto,
  kWithdrew
};

// A fact and where it belongs.
struct PlacedFact {
  FactKind kind = FactKind::kJoined;
  std::string grower, block, unit;
  Fact fact;
};

// A record's effect on state: a fact put, or with a correction one taken away and maybe another put
// in its place.
struct Effect {
  // Record that is corrected; empty: none is.
  std::string corrects;
  // With `corrects`: the fact that counted so far is gone, and nothing comes in its place.
  bool withdraws = false;
  // The fact that is put. Of a withdrawing correction only its place counts.
  PlacedFact placed;
};

// Scope of the answers that come with a kind of fact; SCOPE_UNSPECIFIED for none.
study::v1::Scope ScopeOf(FactKind kind);

// The name of its field in Record, "unit_started".
absl::string_view FactName(FactKind kind);

// The kind of a grower's record; absent for corrections and the server's own.
std::optional<FactKind> KindOf(const intake::v1::Record& record);
// The answers that come with a record; null for none.
const google::protobuf::RepeatedPtrField<study::v1::NamedValue>* ValuesOf(
    const intake::v1::Record& record);

// Reads the answers of a record, or of its replacement, into `reading`; empty for facts without
// any.
void ReadAnswers(const intake::v1::Record& record, const protocol::CompiledProtocol& protocol,
                 protocol::Reading* reading);

// The effect of a sound record, not yet its own deviations. `reading` holds its answers, or those
// of its replacement. Of a withdrawing correction the place is not known before Complete.
Effect EffectOf(const intake::v1::Record& record, const protocol::CompiledProtocol& protocol,
                const protocol::Reading& reading);

// Deviations of a judgement that can be told from its record alone.
void KeepOwnDeviations(const protocol::CompiledProtocol& protocol,
                       const intake::v1::Judgement& judgement, Fact* fact);

// Gives the protocol of a published revision.
using ProtocolOf =
    std::function<absl::StatusOr<std::shared_ptr<const protocol::CompiledProtocol>>(int revision)>;

// Folds entries of one study into a StateSpace. One thread at a time.
class Fold {
 public:
  Fold(StateSpace& space, store::StudyName study, ProtocolOf protocols)
      : space_(space), study_(std::move(study)), protocols_(std::move(protocols)) {}

  // What must come before `effect`, as a key for StateSpace::Waiting; empty: nothing is missing.
  absl::StatusOr<std::string> MissingPrerequisite(const Effect& effect);
  // Fills in the place of a correction from the record that it corrects, which must be taken.
  absl::Status Complete(Effect* effect);

  // A record was logged as `sequence` and taken with `judgement`.
  absl::Status Take(const intake::v1::Record& record, const Hash& digest, std::int64_t sequence,
                    const intake::v1::Judgement& judgement, const Effect& effect);
  // A record was logged and waits for `prerequisite`.
  absl::Status Wait(const intake::v1::Record& record, const Hash& digest, std::int64_t sequence,
                    const std::string& prerequisite);
  // A waiting record was settled by the entry `sequence`. `effect`: if it was taken.
  absl::Status Settle(const intake::v1::Settlement& settlement, std::int64_t sequence,
                      const Effect* effect);
  // A record of the server's own was logged. `previous` is the chain's hash before it.
  absl::Status TakeOwn(const intake::v1::LogEntry& entry, const Hash& digest, const Hash& previous);

  // Changes the facts alone: no counts, no index. For judging what would follow.
  static void ChangeFacts(const Effect& effect, GrowerState* grower, BlockState* block,
                          UnitState* unit);

 private:
  absl::Status Apply(const Effect& effect);
  absl::Status ChangeUnique(const Fact& fact, std::int64_t by);
  absl::Status CountJudgement(const intake::v1::Judgement& judgement);
  absl::Status Enter(const std::string& record_id, const Hash& digest, std::int64_t sequence,
                     Standing standing);

  StateSpace& space_;
  const store::StudyName study_;
  const ProtocolOf protocols_;
};

// The fact that `record_id` says, among those of its place; null if it no longer counts.
const Fact* FindFact(const PlacedFact& place, const std::string& record_id,
                     const GrowerState& grower, const BlockState& block, const UnitState& unit);

// Digest under which an answer is counted in StateSpace::Unique.
std::string UniqueDigest(const Answer& answer);

}  // namespace plumule::log
