#include "absl/strings/str_cat.h"
#include "plugins/stats/turnbull.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

using analysis::v1::Estimate;

std::int64_t ReachedUntil(const sdk::ThresholdOutcome& outcome, int arm, double day) {
  std::int64_t reached = 0;
  for (std::size_t unit = 0; unit < outcome.units(); ++unit) {
    reached += outcome.arm[unit] == arm && outcome.status[unit] == sdk::UnitStatus::kReached &&
               outcome.upper[unit] <= day;
  }
  return reached;
}

Estimate OfArm(const Question& question, int arm, absl::string_view measure, double at,
               std::int64_t events) {
  auto estimate =
      sdk::MakeEstimate(question, measure, "turnbull", analysis::v1::STANDING_SENSITIVITY);
  estimate.set_arm(question.arm(arm).id);
  estimate.set_at(at);
  estimate.set_scale("linear");
  estimate.set_units(question.layout.units[static_cast<std::size_t>(arm)]);
  estimate.set_blocks(question.layout.by_arm[static_cast<std::size_t>(arm)]);
  estimate.set_events(events);
  return estimate;
}

void WarnOfDayBetweenLooks(const Question& question, int arm, const stats::TurnbullShare& found,
                           sdk::ResultBuilder& builder) {
  // What would not change a count out of 100 is not worth words.
  if (found.past_follow_up || found.at_most - found.share < 0.005) return;
  builder.Warn(
      "day_between_looks",
      absl::StrCat("With ", question.Quoted(arm), " between ", sdk::Short(100 * found.share, 0),
                   " and ", sdk::Short(100 * found.at_most, 0), " of 100 ", question.noun.plural,
                   " had reached the threshold by day ", sdk::Short(found.day, 2),
                   ": looks don't show on which side of that day the rest did. The share "
                   "by the method turnbull is the lower one."));
}

absl::Status AddArm(const Question& question, int arm, const stats::TurnbullCurve& curve,
                    sdk::ResultBuilder& builder) {
  const sdk::ThresholdOutcome& outcome = question.analyzed;
  for (const double day : DaysToReport(question)) {
    const auto found = stats::ReachedBy(curve, day);
    if (!found.ok()) return found.status();
    WarnOfDayBetweenLooks(question, arm, *found, builder);
    ReachedShare reached;  // no limits: see turnbull.h
    reached.share = found->share;
    reached.past_follow_up = found->past_follow_up;
    AddReachedShare(question, arm, reached,
                    OfArm(question, arm, "reached_by", day, ReachedUntil(outcome, arm, day)),
                    builder);
  }
  const std::int64_t events = ReachedUntil(outcome, arm, curve.last_day);
  for (const double share : kSharesToReport) {
    const auto days = stats::DaysToQuantile(curve, share);
    if (!days.ok()) return days.status();
    AddQuantileDays(question, arm, *days, OfArm(question, arm, "days_to_quantile", share, events),
                    builder);
  }
  return absl::OkStatus();
}

}  // namespace

absl::Status AddSharesBetweenLooks(const Question& question, sdk::ResultBuilder& builder) {
  if (!AnyBetweenLooks(question.analyzed)) return absl::OkStatus();
  const LookRows looks(question.analyzed);
  const auto curves = stats::TurnbullByArm(looks.view());
  if (!curves.ok()) return curves.status();
  for (std::size_t position = 0; position < curves->size(); ++position) {
    const stats::TurnbullCurve& curve = (*curves)[position];
    const int arm = static_cast<int>(position);
    if (curve.units == 0) continue;
    if (curve.status == stats::TurnbullStatus::kNotConverged) {
      builder.Warn("not_converged",
                   absl::StrCat("The shares between looks (turnbull) of ", question.Quoted(arm),
                                " did not settle, so they are left out."));
      continue;
    }
    if (auto status = AddArm(question, arm, curve, builder); !status.ok()) return status;
  }
  builder.Cite(
      "Turnbull BW (1976). The empirical distribution function with arbitrarily grouped, censored "
      "and truncated data. Journal of the Royal Statistical Society B 38:290-295",
      "", "shares reached, and days, between looks");
  return absl::OkStatus();
}

}  // namespace plumule::time_to_threshold
