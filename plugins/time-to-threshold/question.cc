#include "plugins/time-to-threshold/question.h"

#include <algorithm>
#include <limits>
#include <numeric>
#include <utility>

#include "absl/strings/str_cat.h"
#include "plugins/sdk/follow_up.h"

namespace plumule::time_to_threshold {
namespace {

// What the horizon is to be: declared as a parameter, or by the calendar the days that even units
// started on the last day are followed, so that data don't choose it.
std::optional<double> DeclaredHorizon(const Question& question,
                                      const study::v1::Protocol& protocol) {
  if (const auto declared = question.parameters.Number("horizon_days")) return declared;
  const auto follow_up = sdk::PlannedFollowUp(protocol.calendar());
  return follow_up ? follow_up->shortest : std::nullopt;
}

// The declared horizon as far as observation supports it; where there is none the smallest over
// arms of the largest day observed.
double ChooseHorizon(const Question& question, const std::optional<double>& declared,
                     const SurvivalRows& rows, sdk::ResultBuilder& builder) {
  double supported = std::numeric_limits<double>::infinity();
  const auto arms = static_cast<int>(question.analyzed.arms.size());
  for (int arm = 0; arm < arms; ++arm) {
    if (rows.units(arm) > 0) supported = std::min(supported, rows.last_day(arm));
  }
  if (supported == std::numeric_limits<double>::infinity()) return 0;
  if (!declared) return supported;
  double horizon = *declared;
  for (int arm = 0; arm < arms; ++arm) {
    if (rows.units(arm) > 0 && !rows.follows_past(arm, *declared)) {
      horizon = std::min(horizon, rows.last_day(arm));
    }
  }
  if (horizon < *declared) {
    builder.Warn("horizon_shortened",
                 absl::StrCat("Time was to be averaged over ", sdk::Short(*declared, 2),
                              " days, but some arm was followed for ", sdk::Short(horizon, 2),
                              " days only, so that is the horizon used."));
  }
  return horizon;
}

}  // namespace

absl::StatusOr<Question> AskQuestion(const plugin::v1::Manifest& manifest,
                                     const sdk::AnalysisInput& input, sdk::ResultBuilder& builder) {
  auto asked = sdk::AskThresholdQuestion(manifest, input, "d");
  if (!asked.ok()) return asked.status();
  Question question{*std::move(asked)};
  const SurvivalRows rows(question.analyzed, Timing::kFirstSeen);
  const auto declared = DeclaredHorizon(question, input.setup.protocol());
  question.horizon_declared = declared.has_value();
  question.horizon = ChooseHorizon(question, declared, rows, builder);
  return question;
}

bool AnyBetweenLooks(const sdk::ThresholdOutcome& outcome) {
  for (std::size_t unit = 0; unit < outcome.units(); ++unit) {
    // Units that did not reach it have both days alike.
    if (outcome.lower[unit] < outcome.upper[unit]) return true;
  }
  return false;
}

LookRows::LookRows(const sdk::ThresholdOutcome& outcome)
    : outcome_(outcome), upper_(outcome.upper) {
  for (std::size_t unit = 0; unit < upper_.size(); ++unit) {
    if (outcome.status[unit] == sdk::UnitStatus::kReached) continue;
    upper_[unit] = std::numeric_limits<double>::infinity();
  }
}

stats::IntervalTimes LookRows::view() const {
  return {.lower = outcome_.lower,
          .upper = upper_,
          .arm = outcome_.arm,
          .block = outcome_.block,
          .arms = static_cast<int>(outcome_.arms.size())};
}

SurvivalRows::SurvivalRows(int arms)
    : units_(static_cast<std::size_t>(arms)),
      events_(static_cast<std::size_t>(arms)),
      last_(static_cast<std::size_t>(arms)),
      last_unfinished_(static_cast<std::size_t>(arms), -1) {}

SurvivalRows::SurvivalRows(const sdk::ThresholdOutcome& outcome, Timing timing,
                           std::optional<double> never_until)
    : SurvivalRows(static_cast<int>(outcome.arms.size())) {
  time_.reserve(outcome.units());
  event_.reserve(outcome.units());
  arm_.reserve(outcome.units());
  block_.reserve(outcome.units());
  for (std::size_t unit = 0; unit < outcome.units(); ++unit) {
    const bool reached = outcome.status[unit] == sdk::UnitStatus::kReached;
    double day = outcome.Day(unit);
    if (reached && timing == Timing::kMidpoint) {
      day = (outcome.lower[unit] + outcome.upper[unit]) / 2;
    }
    if (timing == Timing::kLastWithout) day = outcome.lower[unit];
    if (never_until && outcome.status[unit] == sdk::UnitStatus::kLostBiological) {
      day = std::max(day, *never_until);
    }
    Add(day, reached, outcome.arm[unit], outcome.block[unit]);
  }
}

void SurvivalRows::Add(double time, bool event, std::int32_t arm, std::int32_t block) {
  const auto position = static_cast<std::size_t>(arm);
  time_.push_back(time);
  event_.push_back(event ? 1 : 0);
  arm_.push_back(arm);
  block_.push_back(block);
  ++units_[position];
  events_[position] += event ? 1 : 0;
  last_[position] = std::max(last_[position], time);
  if (!event) last_unfinished_[position] = std::max(last_unfinished_[position], time);
}

SurvivalRows SurvivalRows::Pair(int arm, int against) const {
  SurvivalRows pair(2);
  for (std::size_t row = 0; row < time_.size(); ++row) {
    if (arm_[row] != arm && arm_[row] != against) continue;
    pair.Add(time_[row], event_[row] != 0, arm_[row] == arm ? 1 : 0, block_[row]);
  }
  return pair;
}

stats::Survival SurvivalRows::view() const {
  return {.time = time_,
          .event = event_,
          .arm = arm_,
          .block = block_,
          .arms = static_cast<int>(units_.size())};
}

std::int64_t SurvivalRows::events() const {
  return std::accumulate(events_.begin(), events_.end(), std::int64_t{0});
}

bool SurvivalRows::follows_past(int arm, double day) const {
  const auto position = static_cast<std::size_t>(arm);
  // Beyond the last observed day the curve is known only if it has come down to 0 there.
  return last_[position] >= day || last_unfinished_[position] < last_[position];
}

}  // namespace plumule::time_to_threshold
