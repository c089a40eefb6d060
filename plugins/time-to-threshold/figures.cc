#include "absl/strings/str_cat.h"
#include "plugins/sdk/figure.h"
#include "plugins/stats/arguments.h"
#include "plugins/stats/log_log_limits.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {

void AddReachedFigure(const Question& question, const std::vector<stats::KaplanMeierCurve>& curves,
                      sdk::ResultBuilder& builder) {
  const double z = stats::TwoSidedNormalQuantile(question.level);
  std::vector<sdk::ArmCurve> drawn;
  for (std::size_t position = 0; position < curves.size(); ++position) {
    if (curves[position].units == 0) continue;
    sdk::ArmCurve curve;
    curve.label = question.arm(static_cast<int>(position)).label;
    curve.position = static_cast<int>(position);
    curve.steps.reserve(curves[position].steps.size());
    for (const stats::KaplanMeierStep& step : curves[position].steps) {
      sdk::CurveStep drawn_step = {.day = step.time,
                                   .share = 1 - step.survival,
                                   .lower = {},
                                   .upper = {},
                                   .under_way = step.at_risk};
      if (const auto limits = stats::LogLogLimits(step, z)) {
        drawn_step.lower = 1 - limits->upper;
        drawn_step.upper = 1 - limits->lower;
      }
      curve.steps.push_back(drawn_step);
    }
    drawn.push_back(std::move(curve));
  }
  builder.Add(sdk::ReachedFigure(
      "reached", absl::StrCat("How many ", question.noun.plural, " reached it by each day"),
      absl::StrCat("Each line rises on the days on which ", question.noun.plural,
                   " were first seen to have reached the threshold (", question.threshold_label,
                   "); the band around it is the ", sdk::IntervalWords(question.level),
                   ". Below: how many were still under way and followed."),
      drawn, question.level, question.noun.plural));
}

void AddDifferenceFigure(const Question& question, const std::vector<Difference>& differences,
                         sdk::ResultBuilder& builder) {
  std::vector<sdk::IntervalRow> rows;
  for (const Difference& difference : differences) {
    rows.push_back({.label = difference.label,
                    .value = difference.value,
                    .lower = difference.lower,
                    .upper = difference.upper,
                    .position = difference.arm});
  }
  builder.Add(sdk::IntervalFigure(
      "differences", "How many days sooner or later",
      absl::StrCat("Mean days without the threshold in the first ", sdk::Short(question.horizon, 1),
                   " days, compared with ", question.Quoted(question.control()), ", with ",
                   sdk::IntervalWords(question.level),
                   "s. Left of the dashed line is sooner, right of it later."),
      rows,
      {.title = absl::StrCat("Days sooner (below 0) or later (above 0) than ",
                             question.Quoted(question.control())),
       .reference = 0,
       .reference_label = "no difference",
       .logarithmic = false,
       .decimals = 1}));
}

}  // namespace plumule::time_to_threshold
