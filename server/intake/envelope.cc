#include "server/intake/envelope.h"

#include <algorithm>
#include <optional>
#include <string>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "server/intake/problems.h"
#include "server/log/content_digest.h"
#include "server/log/fold.h"
#include "server/protocol/civil_date.h"

namespace plumule::intake {
namespace {

using log::FactKind;
using v1::Judgement;
using v1::Record;

constexpr std::size_t kMostNoteCharacters = 500;

bool IsLowerHex(char c) { return (c >= '0' && c <= '9') || (c >= 'a' && c <= 'f'); }

// Unicode code points in valid UTF-8.
std::size_t Characters(absl::string_view text) {
  return static_cast<std::size_t>(std::count_if(text.begin(), text.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xc0) != 0x80;
  }));
}

void CheckDate(const std::string& field, const std::string& date, Judgement* judgement) {
  if (protocol::ParseDate(date)) return;
  const protocol::DateFault fault = protocol::ExplainDate(date);
  AddProblem(field, fault.reason, fault.what, fault.remedy, judgement);
}

void CheckLength(absl::string_view field, const std::string& text, std::size_t most,
                 Judgement* judgement) {
  const std::size_t length = Characters(text);
  if (length <= most) return;
  AddProblem(field, "text_too_long", absl::StrCat("it has ", length, " characters"),
             absl::StrCat("shorten it to ", most), judgement);
}

void CheckPlace(const std::string& field, const std::string& id, bool required,
                Judgement* judgement) {
  if (id.empty()) {
    if (required) {
      AddProblem(field, "id_missing", absl::StrCat("this kind of fact needs a ", field),
                 absl::StrCat("name the ", field), judgement);
    }
    return;
  }
  if (IsPlaceId(id)) return;
  AddProblem(field, "id_not_valid", absl::StrCat("the ", field, "'s id can't be used"),
             "use letters, digits, hyphens, underscores and dots, 1 to 64 in all", judgement);
}

void CheckPlaces(const Record& record, std::optional<FactKind> kind, Judgement* judgement) {
  const bool of_grower = kind == FactKind::kJoined || kind == FactKind::kWithdrew;
  const bool of_block = kind == FactKind::kBlockStarted;
  CheckPlace("grower", record.grower(), of_grower || of_block, judgement);
  CheckPlace("block", record.block(), kind && !of_grower, judgement);
  CheckPlace("unit", record.unit(), kind && !of_grower && !of_block, judgement);
}

void CheckCorrection(const v1::Corrected& corrected, Judgement* judgement) {
  if (!IsUuid(corrected.corrects())) {
    AddProblem("corrected.corrects", "record_id_not_valid",
               "it does not name the record that was wrong",
               "give the id of the first record, a UUID in lower case", judgement);
  }
  CheckLength("corrected.reason", corrected.reason(), kMostNoteCharacters, judgement);
  if (!corrected.has_replacement()) return;
  const Record& replacement = corrected.replacement();
  if (!log::KindOf(replacement)) {
    AddProblem("corrected.replacement", "fact_not_correctable",
               "the replacement does not hold a fact that growers record",
               "give the whole record as it should have been", judgement);
  }
  if (!replacement.record_id().empty() || replacement.protocol_revision() != 0 ||
      replacement.has_client()) {
    AddProblem("corrected.replacement", "replacement_envelope",
               "the replacement has an id, revision or client of its own",
               "leave record_id, protocol_revision and client of the replacement empty", judgement);
  }
  CheckDate("corrected.replacement.happened_on", replacement.happened_on(), judgement);
}

void UnknownId(absl::string_view field, absl::string_view reason, absl::string_view what,
               const std::string& id, Judgement* judgement) {
  AddProblem(field, reason, absl::StrCat("the protocol has no ", what, " “", id.substr(0, 64), "”"),
             absl::StrCat("use the id of a ", what, " of the revision that the record names"),
             judgement);
}

void CheckJoined(const v1::Joined& joined, const protocol::CompiledProtocol& protocol,
                 const std::string& path, Judgement* judgement) {
  const std::string& current = protocol.definition().words().consent_version();
  if (joined.consent_version() == current) return;
  AddProblem(path + "joined.consent_version", "consent_version_unfit",
             absl::StrCat("the grower agreed to version “", joined.consent_version().substr(0, 64),
                          "” of the consent, the revision has “", current, "”"),
             "show the grower the revision's consent and ask again", judgement);
}

void CheckReached(const Record& record, const protocol::CompiledProtocol& protocol,
                  const std::string& path, Judgement* judgement) {
  const v1::Reached& reached = record.reached();
  const int threshold = protocol.FindThreshold(reached.threshold());
  if (threshold == protocol::kNone) {
    UnknownId(path + "reached.threshold", "threshold_unknown", "threshold", reached.threshold(),
              judgement);
  } else if (protocol.threshold(threshold).source() == study::v1::CROSSING_SOURCE_DERIVED) {
    AddProblem(path + "reached.threshold", "threshold_not_reported",
               absl::StrCat("the day of ", reached.threshold(), " is read off the looks"),
               "send the look itself", judgement);
  }
  if (reached.not_yet_on().empty()) return;
  CheckDate(path + "reached.not_yet_on", reached.not_yet_on(), judgement);
  const auto not_yet = protocol::ParseDate(reached.not_yet_on());
  const auto happened = protocol::ParseDate(record.happened_on());
  if (not_yet && happened && *not_yet >= *happened) {
    AddProblem(path + "reached.not_yet_on", "not_yet_too_late",
               absl::StrCat("it had not happened on ", protocol::SpellDate(*not_yet),
                            ", yet happened by ", protocol::SpellDate(*happened)),
               "give an earlier day, or leave it empty if the day is known exactly", judgement);
  }
}

void CheckFactAt(const Record& record, const protocol::CompiledProtocol& protocol,
                 const std::string& path, Judgement* judgement) {
  switch (record.fact_case()) {
    case Record::kJoined:
      return CheckJoined(record.joined(), protocol, path, judgement);
    case Record::kUnitStarted:
      if (protocol.FindArm(record.unit_started().arm()) == protocol::kNone) {
        UnknownId(path + "unit_started.arm", "arm_unknown", "arm", record.unit_started().arm(),
                  judgement);
      }
      return;
    case Record::kObserved:
      if (record.observed().values().empty()) {
        AddProblem(path + "observed.values", "values_missing", "the look answers nothing",
                   "answer at least one variable of observation scope", judgement);
      }
      return;
    case Record::kReached:
      return CheckReached(record, protocol, path, judgement);
    case Record::kLost:
      if (protocol.FindLoss(record.lost().cause()) == protocol::kNone) {
        UnknownId(path + "lost.cause", "cause_unknown", "cause of loss", record.lost().cause(),
                  judgement);
      }
      CheckLength(path + "lost.note", record.lost().note(), kMostNoteCharacters, judgement);
      return;
    case Record::kPhotoAdded:
      if (record.photo_added().digest().size() != 64 ||
          !std::all_of(record.photo_added().digest().begin(), record.photo_added().digest().end(),
                       IsLowerHex)) {
        AddProblem(path + "photo_added.digest", "photo_digest_malformed",
                   "it is not a SHA-256 in lower-case hexadecimal",
                   "send the 64 digits of the picture's SHA-256", judgement);
      }
      return;
    default:
      return;
  }
}

}  // namespace

bool IsUuid(absl::string_view text) {
  if (text.size() != 36) return false;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const bool hyphen = i == 8 || i == 13 || i == 18 || i == 23;
    if (hyphen ? text[i] != '-' : !IsLowerHex(text[i])) return false;
  }
  return true;
}

bool IsPlaceId(absl::string_view text) {
  return !text.empty() && text.size() <= 64 && std::all_of(text.begin(), text.end(), [](char c) {
    return absl::ascii_isalnum(static_cast<unsigned char>(c)) || c == '-' || c == '_' || c == '.';
  });
}

void CheckEnvelope(const Record& record, Judgement* judgement) {
  if (!IsUuid(record.record_id())) {
    AddProblem("record_id", "record_id_not_valid", "the record's id is not a UUID",
               "make a UUID for the record before it is sent, in lower case, and keep it",
               judgement);
  }
  const std::optional<FactKind> kind = log::KindOf(record);
  if (log::IsServersOwn(record)) {
    AddProblem("fact", "fact_not_for_clients", "facts of this kind are written by the server",
               "ask the study's organizer to use the method for it", judgement);
    return;
  }
  if (!kind && !record.has_corrected()) {
    AddProblem("fact", "fact_missing", "the record says nothing",
               "set exactly one fact; a newer client may know facts that this server does not",
               judgement);
  }
  CheckPlaces(record, kind, judgement);
  if (!record.happened_on().empty() || !record.has_corrected()) {
    CheckDate("happened_on", record.happened_on(), judgement);
  }
  if (!record.written_on().empty()) CheckDate("written_on", record.written_on(), judgement);
  CheckLength("client.program", record.client().program(), 64, judgement);
  CheckLength("client.version", record.client().version(), 32, judgement);
  if (record.has_corrected()) CheckCorrection(record.corrected(), judgement);
}

void CheckFact(const Record& record, const protocol::CompiledProtocol& protocol,
               Judgement* judgement) {
  if (record.has_corrected()) {
    return CheckFactAt(record.corrected().replacement(), protocol, "corrected.replacement.",
                       judgement);
  }
  CheckFactAt(record, protocol, "", judgement);
}

}  // namespace plumule::intake
