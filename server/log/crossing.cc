#include "server/log/crossing.h"

#include <algorithm>

#include "server/log/answers.h"

namespace plumule::log {
namespace {

using protocol::CompiledProtocol;

bool AfterLoss(const UnitState& unit, std::int32_t day) {
  return unit.has_lost() && day > unit.lost().day();
}

// Whether a look shows the threshold met, not met, or says nothing of it.
std::optional<bool> MetAt(const CompiledProtocol& protocol, int threshold, const Fact& look) {
  const auto value = AnswerTo(protocol, protocol.ThresholdVariable(threshold), look);
  if (!value) return std::nullopt;
  return protocol.Meets(threshold, *value);
}

bool OnlyReported(const CompiledProtocol& protocol, int threshold) {
  return protocol.threshold(threshold).source() == study::v1::CROSSING_SOURCE_REPORTED;
}

// Last look that says that the threshold was not reached, for a unit that has not.
std::optional<std::int32_t> LastSeenWithout(const CompiledProtocol& protocol, int threshold,
                                            const UnitState& unit) {
  if (!OnlyReported(protocol, threshold)) {
    return SeenCrossingOf(protocol, threshold, unit).last_below;
  }
  std::optional<std::int32_t> last;
  for (const Fact& look : unit.looks()) {
    if (AfterLoss(unit, look.day()) || MetAt(protocol, threshold, look).value_or(false)) break;
    last = look.day();
  }
  return last;
}

Crossing Reached(std::int32_t start, std::int32_t lower, std::int32_t upper) {
  return {std::max(0, lower - start), std::max(0, upper - start), CrossingStatus::kReached};
}

CrossingStatus LossStatus(const CompiledProtocol& protocol, const Fact& lost) {
  const int cause = protocol.FindLoss(lost.code());
  const bool biological =
      cause != protocol::kNone && protocol.loss(cause).kind() == study::v1::LOSS_KIND_BIOLOGICAL;
  return biological ? CrossingStatus::kLostBiological : CrossingStatus::kLostIncidental;
}

}  // namespace

SeenCrossing SeenCrossingOf(const CompiledProtocol& protocol, int threshold,
                            const UnitState& unit) {
  SeenCrossing seen;
  for (const Fact& look : unit.looks()) {
    if (AfterLoss(unit, look.day())) break;
    if (seen.first_met && look.day() > *seen.first_met) break;
    const std::optional<bool> met = MetAt(protocol, threshold, look);
    if (!met) continue;
    if (*met && !seen.first_met) seen.first_met = look.day();
    if (!*met) seen.last_below = look.day();
  }
  return seen;
}

const Fact* ReportOf(const CompiledProtocol& protocol, int threshold, const UnitState& unit) {
  if (protocol.threshold(threshold).source() == study::v1::CROSSING_SOURCE_DERIVED) return nullptr;
  for (const Fact& report : unit.reached()) {
    if (report.code() == protocol.threshold(threshold).id() && !AfterLoss(unit, report.day())) {
      return &report;
    }
  }
  return nullptr;
}

Crossing CrossingOf(const CompiledProtocol& protocol, int threshold, const UnitState& unit) {
  const std::int32_t start = unit.started().day();
  if (const Fact* report = ReportOf(protocol, threshold, unit)) {
    const std::int32_t lower = report->has_not_yet_day() ? report->not_yet_day() : report->day();
    return Reached(start, lower, report->day());
  }
  if (!OnlyReported(protocol, threshold)) {
    const SeenCrossing seen = SeenCrossingOf(protocol, threshold, unit);
    if (seen.first_met) return Reached(start, seen.last_below.value_or(start), *seen.first_met);
  }
  if (unit.has_lost()) {
    return {std::max(0, unit.lost().day() - start), std::nullopt,
            LossStatus(protocol, unit.lost())};
  }
  const std::int32_t last = LastSeenWithout(protocol, threshold, unit).value_or(start);
  return {std::max(0, last - start), std::nullopt, CrossingStatus::kNotReached};
}

}  // namespace plumule::log
