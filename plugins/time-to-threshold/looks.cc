#include <algorithm>
#include <cstddef>
#include <utility>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plugins/sdk/look_figure.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

using stats::KaplanMeierCurve;

// Looks on neighboring days leave nothing open that a picture could show.
constexpr double kDaily = 1;

// Days between the last look without and the first look with, ascending, of units of one arm.
std::vector<double> Gaps(const sdk::ThresholdOutcome& outcome, int arm) {
  std::vector<double> gaps;
  for (std::size_t unit = 0; unit < outcome.units(); ++unit) {
    if (outcome.arm[unit] != arm || outcome.status[unit] != sdk::UnitStatus::kReached) continue;
    gaps.push_back(outcome.upper[unit] - outcome.lower[unit]);
  }
  std::sort(gaps.begin(), gaps.end());
  return gaps;
}

// Both curves on the days on which either rises.
std::vector<sdk::LookStep> Merge(const KaplanMeierCurve& earliest, const KaplanMeierCurve& latest) {
  std::vector<sdk::LookStep> merged;
  sdk::LookStep now;
  std::size_t early = 0, late = 0;
  while (early < earliest.steps.size() || late < latest.steps.size()) {
    const bool early_next =
        late == latest.steps.size() ||
        (early < earliest.steps.size() && earliest.steps[early].time <= latest.steps[late].time);
    now.day = early_next ? earliest.steps[early].time : latest.steps[late].time;
    if (early_next) now.at_most = 1 - earliest.steps[early++].survival;
    if (late < latest.steps.size() && latest.steps[late].time == now.day) {
      now.at_least = 1 - latest.steps[late++].survival;
    }
    merged.push_back(now);
  }
  return merged;
}

}  // namespace

absl::Status AddLookFigure(const Question& question, const std::vector<KaplanMeierCurve>& latest,
                           sdk::ResultBuilder& builder) {
  std::vector<std::vector<double>> gaps;
  double widest = 0;
  for (std::size_t arm = 0; arm < latest.size(); ++arm) {
    gaps.push_back(Gaps(question.analyzed, static_cast<int>(arm)));
    if (!gaps.back().empty()) widest = std::max(widest, gaps.back().back());
  }
  if (widest <= kDaily) return absl::OkStatus();
  const SurvivalRows rows(question.analyzed, Timing::kLastWithout);
  const auto earliest = stats::KaplanMeierByArm(rows.view());
  if (!earliest.ok()) return earliest.status();
  std::vector<sdk::LookRange> arms;
  for (std::size_t arm = 0; arm < latest.size(); ++arm) {
    if (gaps[arm].empty()) continue;
    arms.push_back({.label = question.arm(static_cast<int>(arm)).label,
                    .position = static_cast<int>(arm),
                    .steps = Merge((*earliest)[arm], latest[arm]),
                    .middle_gap = gaps[arm][gaps[arm].size() / 2],
                    .widest_gap = gaps[arm].back()});
  }
  builder.Add(sdk::LookFigure(
      "looks", "What is not known between looks",
      absl::StrCat("A crossing happened somewhere between the last look without it and the first "
                   "look with it. The line takes it to have happened on the first look with it, as "
                   "the estimates do; the shade reaches to where it would be if each had happened "
                   "right after the last look without."),
      arms, question.noun.plural));
  return absl::OkStatus();
}

}  // namespace plumule::time_to_threshold
