#include "server/intake/calendar.h"

#include <string>

#include "absl/strings/str_cat.h"
#include "server/intake/problems.h"
#include "server/protocol/civil_date.h"

namespace plumule::intake {
namespace {

using protocol::SpellDate;

// A late start stands for less time under the protocol: the unit did not follow it.
constexpr bool kLateStartLeavesPrimarySet = true;
// A late entry speaks of a day that was in time.
constexpr bool kLateEntryLeavesPrimarySet = false;

void CheckStart(absl::CivilDay day, const std::string& field,
                const protocol::CompiledProtocol& protocol, v1::Judgement* judgement) {
  if (day < protocol.opens_on()) {
    AddProblem(field, "before_opening",
               absl::StrCat("the unit was started on ", SpellDate(day), ", the study opens on ",
                            SpellDate(protocol.opens_on())),
               "only units started from that day on can take part", judgement);
  }
  if (!protocol.last_start() || day <= *protocol.last_start()) return;
  const std::string late =
      absl::StrCat("the unit was started on ", SpellDate(day), ", units should be started by ",
                   SpellDate(*protocol.start_by()));
  if (protocol.definition().calendar().refuse_late_starts()) {
    AddProblem(field, "late_start", late, "this study takes no later starts", judgement);
  } else {
    AddDeviation("late_start", late, kLateStartLeavesPrimarySet, judgement);
  }
}

void CheckReceipt(const protocol::CompiledProtocol& protocol, access::v1::Role role,
                  absl::CivilDay today, v1::Judgement* judgement) {
  if (today <= protocol.last_receipt()) return;
  const std::string late =
      absl::StrCat("it came on ", SpellDate(today), ", records were taken until ",
                   SpellDate(protocol.last_receipt()));
  if (role == access::v1::ROLE_ORGANIZER) {
    AddDeviation("late_entry", late, kLateEntryLeavesPrimarySet, judgement);
  } else {
    AddProblem("happened_on", "after_grace", late, "ask the study's organizer to enter it",
               judgement);
  }
}

}  // namespace

absl::CivilDay TodayIn(const protocol::CompiledProtocol& protocol, absl::Time time) {
  return absl::ToCivilDay(time, protocol.time_zone());
}

void CheckCalendar(const v1::Record& record, const protocol::CompiledProtocol& protocol,
                   access::v1::Role role, absl::Time received, v1::Judgement* judgement) {
  const bool corrects = record.has_corrected();
  const v1::Record& said = corrects ? record.corrected().replacement() : record;
  const std::string field = corrects ? "corrected.replacement.happened_on" : "happened_on";
  const absl::CivilDay today = TodayIn(protocol, received);
  if (!said.has_withdrew()) CheckReceipt(protocol, role, today, judgement);
  const auto day = protocol::ParseDate(said.happened_on());
  if (!day) return;
  if (*day > today + 1) {
    AddProblem(field, "in_the_future",
               absl::StrCat(SpellDate(*day), " has not come yet: today is ", SpellDate(today)),
               "check the year and the order of day and month", judgement);
  }
  if (*day > protocol.closes_on() && !said.has_withdrew()) {
    AddProblem(field, "after_closing",
               absl::StrCat("the study closed on ", SpellDate(protocol.closes_on()),
                            ", the record speaks of ", SpellDate(*day)),
               "send only what happened by the closing day", judgement);
  }
  if (said.has_unit_started()) CheckStart(*day, field, protocol, judgement);
}

}  // namespace plumule::intake
