#include "server/log/log_reader.h"

#include <algorithm>
#include <optional>

#include "absl/strings/str_cat.h"
#include "server/log/stored_log.h"
#include "server/protocol/reason.h"
#include "server/protocol/status_macros.h"
#include "server/store/keys.h"

namespace plumule::log {

absl::Status LogDamaged(const store::StudyName& study, std::int64_t sequence,
                        absl::string_view what) {
  return ReasonedError(absl::StatusCode::kDataLoss, "log_damaged",
                       absl::StrCat("entry ", sequence, " of the log of ", study.Format(), " ",
                                    what, ": restore a backup"));
}

std::string EncodeStoredEntry(const Hash& hash, absl::string_view entry) {
  std::string stored = HashBytes(hash);
  stored.append(entry.data(), entry.size());
  return stored;
}

std::string EncodeHead(const Head& head) {
  std::string bytes;
  for (int shift = 56; shift >= 0; shift -= 8) {
    bytes.push_back(static_cast<char>((head.sequence >> shift) & 0xff));
  }
  return bytes + HashBytes(head.hash);
}

absl::Status ReadEntries(const store::Reader& reader, const store::StudyName& study,
                         std::int64_t from, std::size_t limit, VisitEntry visit) {
  store::KeyRange range = store::PrefixRange(store::LogPrefix(study), limit);
  range.start = store::LogEntryKey(study, from);
  absl::Status damage;
  PLUMULE_RETURN_IF_ERROR(reader.Scan(range, [&](absl::string_view key, absl::string_view value) {
    const std::int64_t sequence = store::SequenceOf(key);
    if (value.size() < kHashBytes) {
      damage = LogDamaged(study, sequence, "is too short");
      return false;
    }
    return visit(sequence, value.substr(kHashBytes), value.substr(0, kHashBytes));
  }));
  return damage;
}

absl::StatusOr<intake::v1::LogEntry> ReadEntry(const store::Reader& reader,
                                               const store::StudyName& study,
                                               std::int64_t sequence) {
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::string> stored,
                           reader.Get(store::LogEntryKey(study, sequence)));
  intake::v1::LogEntry entry;
  if (!stored) return LogDamaged(study, sequence, "is missing");
  if (stored->size() < kHashBytes ||
      !entry.ParseFromArray(stored->data() + kHashBytes,
                            static_cast<int>(stored->size() - kHashBytes))) {
    return LogDamaged(study, sequence, "can't be read");
  }
  return entry;
}

absl::StatusOr<Head> ReadHead(const store::Reader& reader, const store::StudyName& study) {
  PLUMULE_ASSIGN_OR_RETURN(const std::optional<std::string> bytes,
                           reader.Get(store::LogHeadKey(study)));
  if (!bytes) return Head{};
  if (bytes->size() != 8 + kHashBytes) return LogDamaged(study, 0, "(the head) can't be read");
  return Head{store::SequenceOf(absl::string_view(*bytes).substr(0, 8)),
              HashFromBytes(absl::string_view(*bytes).substr(8))};
}

absl::StatusOr<Head> CheckHead(const store::Reader& reader, const store::StudyName& study) {
  PLUMULE_ASSIGN_OR_RETURN(const Head head, ReadHead(reader, study));
  std::int64_t last = head.sequence;
  Hash hash = head.hash;
  bool found = head.sequence == 0;
  PLUMULE_RETURN_IF_ERROR(
      ReadEntries(reader, study, std::max<std::int64_t>(1, head.sequence), 2,
                  [&](std::int64_t sequence, absl::string_view, absl::string_view stored_hash) {
                    last = sequence;
                    if (sequence == head.sequence) {
                      hash = HashFromBytes(stored_hash);
                      found = true;
                    }
                    return true;
                  }));
  if (!found) return LogDamaged(study, head.sequence, "should be the last and is missing");
  if (last != head.sequence) return LogDamaged(study, last, "lies beyond the head of the log");
  if (hash != head.hash) return LogDamaged(study, last, "is not the one that the head names");
  return head;
}

absl::StatusOr<Head> Verify(const store::Reader& reader, const store::StudyName& study) {
  PLUMULE_ASSIGN_OR_RETURN(const Head head, ReadHead(reader, study));
  ChainVerifier verifier;
  absl::Status broken;
  PLUMULE_RETURN_IF_ERROR(
      ReadEntries(reader, study, 1, 0,
                  [&](std::int64_t sequence, absl::string_view entry, absl::string_view hash) {
                    if (sequence != verifier.head().sequence + 1) {
                      broken = LogDamaged(study, verifier.head().sequence + 1, "is missing");
                    } else {
                      broken = verifier.Add(entry, hash);
                    }
                    return broken.ok();
                  }));
  PLUMULE_RETURN_IF_ERROR(broken);
  if (verifier.head() != head) {
    return LogDamaged(study, std::min(head.sequence, verifier.head().sequence) + 1,
                      "is where the log and its head part");
  }
  return head;
}

}  // namespace plumule::log
