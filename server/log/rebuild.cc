// RebuildState: the whole fold again, compared with what is stored.

#include <optional>
#include <string>

#include "absl/strings/escaping.h"
#include "absl/strings/str_cat.h"
#include "server/log/content_digest.h"
#include "server/log/fold.h"
#include "server/log/log_reader.h"
#include "server/log/revisions.h"
#include "server/log/stored_log.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/store/keys.h"

namespace plumule::log {
namespace {

using intake::v1::LogEntry;
using intake::v1::Outcome;
using intake::v1::Record;

constexpr std::size_t kEntriesAtOnce = 1000;

// Folds entries as they were judged, without judging again.
class Replay {
 public:
  Replay(const store::Reader& log, store::Store& fresh, const store::StudyName& study)
      : fresh_(fresh),
        study_(study),
        space_(fresh, log, std::size_t{64} << 20),
        fold_(space_, study,
              [this](int revision) { return revisions_.Get(space_, study_, revision); }) {}

  absl::Status Add(const LogEntry& entry, const Hash& hash) {
    PLUMULE_RETURN_IF_ERROR(FoldEntry(entry));
    previous_ = hash;
    return absl::OkStatus();
  }

  // Writes what was folded so far.
  absl::Status Write() {
    store::WriteBatch batch;
    space_.WriteChanges(&batch);
    PLUMULE_RETURN_IF_ERROR(fresh_.Commit(batch, {}, store::Durability::kBuffered));
    space_.EndBatch();
    return absl::OkStatus();
  }

 private:
  absl::Status FoldEntry(const LogEntry& entry) {
    if (entry.has_settlement()) return FoldSettlement(entry);
    const Record& record = entry.record();
    const Hash digest = ContentDigest(record);
    if (IsServersOwn(record)) return fold_.TakeOwn(entry, digest, previous_);
    PLUMULE_ASSIGN_OR_RETURN(Effect effect, EffectFrom(record, entry.judgement()));
    if (entry.judgement().outcome() == Outcome::OUTCOME_PENDING) {
      PLUMULE_ASSIGN_OR_RETURN(const std::string missing, fold_.MissingPrerequisite(effect));
      return fold_.Wait(record, digest, entry.sequence(), missing);
    }
    if (!effect.corrects.empty()) PLUMULE_RETURN_IF_ERROR(fold_.Complete(&effect));
    return fold_.Take(record, digest, entry.sequence(), entry.judgement(), effect);
  }

  absl::Status FoldSettlement(const LogEntry& entry) {
    const intake::v1::Settlement& settlement = entry.settlement();
    if (settlement.judgement().outcome() == Outcome::OUTCOME_REFUSED) {
      return fold_.Settle(settlement, entry.sequence(), nullptr);
    }
    PLUMULE_ASSIGN_OR_RETURN(const LogEntry waited,
                             space_.Entry(study_, settlement.record_sequence()));
    PLUMULE_ASSIGN_OR_RETURN(Effect effect, EffectFrom(waited.record(), settlement.judgement()));
    if (!effect.corrects.empty()) PLUMULE_RETURN_IF_ERROR(fold_.Complete(&effect));
    return fold_.Settle(settlement, entry.sequence(), &effect);
  }

  absl::StatusOr<Effect> EffectFrom(const Record& record, const intake::v1::Judgement& judgement) {
    PLUMULE_ASSIGN_OR_RETURN(const auto protocol,
                             revisions_.Get(space_, study_, record.protocol_revision()));
    ReadAnswers(record, *protocol, &reading_);
    Effect effect = EffectOf(record, *protocol, reading_);
    KeepOwnDeviations(*protocol, judgement, &effect.placed.fact);
    return effect;
  }

  store::Store& fresh_;
  const store::StudyName study_;
  StateSpace space_;
  Revisions revisions_;
  Fold fold_;
  protocol::Reading reading_;
  Hash previous_{};
};

absl::Status StateDamaged(const store::StudyName& study, absl::string_view key) {
  return ReasonedError(absl::StatusCode::kDataLoss, "state_damaged",
                       absl::StrCat("what is stored of ", study.Format(), " in table ",
                                    key.substr(0, 1), " is not what its log says (key ",
                                    absl::CHexEscape(key), "): restore a backup"));
}

// Every key of `table` in `some` has the same value in `other`.
absl::Status CompareTable(const store::Reader& some, const store::Reader& other,
                          const store::StudyName& study, char table) {
  absl::Status difference;
  PLUMULE_RETURN_IF_ERROR(some.Scan(store::PrefixRange(store::StudyTablePrefix(table, study)),
                                    [&](absl::string_view key, absl::string_view value) {
                                      const auto found = other.Get(key);
                                      if (!found.ok()) {
                                        difference = found.status();
                                      } else if (!*found || **found != value) {
                                        difference = StateDamaged(study, key);
                                      }
                                      return difference.ok();
                                    }));
  return difference;
}

}  // namespace

absl::Status RebuildState(const store::Reader& reader, const store::StudyName& study,
                          store::Store& fresh) {
  Replay replay(reader, fresh, study);
  absl::Status failed;
  std::size_t folded = 0;
  PLUMULE_RETURN_IF_ERROR(
      ReadEntries(reader, study, 1, 0,
                  [&](std::int64_t sequence, absl::string_view bytes, absl::string_view hash) {
                    LogEntry entry;
                    if (!entry.ParseFromArray(bytes.data(), static_cast<int>(bytes.size()))) {
                      failed = LogDamaged(study, sequence, "can't be read");
                    } else {
                      failed = replay.Add(entry, HashFromBytes(hash));
                    }
                    if (failed.ok() && ++folded % kEntriesAtOnce == 0) failed = replay.Write();
                    return failed.ok();
                  }));
  PLUMULE_RETURN_IF_ERROR(failed);
  PLUMULE_RETURN_IF_ERROR(replay.Write());
  for (const char table : store::kFoldTables) {
    PLUMULE_RETURN_IF_ERROR(CompareTable(reader, fresh, study, table));
    PLUMULE_RETURN_IF_ERROR(CompareTable(fresh, reader, study, table));
  }
  return absl::OkStatus();
}

}  // namespace plumule::log
