#include <optional>
#include <vector>

#include "plugins/stats/cumulative_incidence.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

// The units of one arm in the shape that plumule::stats takes.
struct ArmTimes {
  std::vector<double> time;
  std::vector<std::uint8_t> outcome;
  std::vector<std::int32_t> block;
};

ArmTimes TimesOf(const Question& question, int arm) {
  ArmTimes times;
  for (std::size_t unit = 0; unit < question.analyzed.units(); ++unit) {
    if (question.analyzed.arm[unit] != arm) continue;
    times.time.push_back(question.analyzed.Day(unit));
    times.block.push_back(question.analyzed.block[unit]);
    switch (question.analyzed.status[unit]) {
      case sdk::UnitStatus::kReached:
        times.outcome.push_back(stats::kEvent);
        break;
      case sdk::UnitStatus::kLostBiological:
        times.outcome.push_back(stats::kCompeting);
        break;
      case sdk::UnitStatus::kNotReached:
      case sdk::UnitStatus::kLostIncidental:
        times.outcome.push_back(stats::kCensored);
        break;
    }
  }
  return times;
}

absl::Status AddShare(const Question& question, int arm, sdk::ResultBuilder& builder) {
  const ArmTimes times = TimesOf(question, arm);
  const auto found =
      stats::IncidenceBy({.time = times.time, .outcome = times.outcome, .block = times.block},
                         question.horizon, question.level);
  if (!found.ok()) return found.status();
  auto estimate = sdk::MakeEstimate(question, "reached_by", "aalen_johansen",
                                    analysis::v1::STANDING_SENSITIVITY);
  estimate.set_arm(question.arm(arm).id);
  estimate.set_at(question.horizon);
  estimate.set_units(found->units);
  estimate.set_blocks(question.layout.by_arm[static_cast<std::size_t>(arm)]);
  estimate.set_events(found->events);
  ReachedShare reached = {.share = found->share,
                          .standard_error = found->standard_error,
                          .limits = found->limits,
                          .past_follow_up = found->past_follow_up};
  // Errors summed by block say nothing where there is one block only.
  if (estimate.blocks() < 2) reached.limits = std::nullopt;
  AddReachedShare(question, arm, reached, std::move(estimate), builder);
  return absl::OkStatus();
}

}  // namespace

absl::Status AddCompetingShares(const Question& question, sdk::ResultBuilder& builder) {
  bool any_lost = false;
  for (const sdk::UnitStatus status : question.analyzed.status) {
    any_lost = any_lost || status == sdk::UnitStatus::kLostBiological;
  }
  if (!any_lost) return absl::OkStatus();
  for (std::size_t arm = 0; arm < question.analyzed.arms.size(); ++arm) {
    if (question.layout.units[arm] == 0) continue;
    auto status = AddShare(question, static_cast<int>(arm), builder);
    if (!status.ok()) return status;
  }
  builder.Cite(
      "Aalen OO, Johansen S (1978). An empirical transition matrix for non-homogeneous Markov "
      "chains based on censored observations. Scandinavian Journal of Statistics 5:141-150",
      "", "share reached with biological loss as a competing end");
  return absl::OkStatus();
}

}  // namespace plumule::time_to_threshold
