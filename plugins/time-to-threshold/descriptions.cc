#include <algorithm>
#include <cmath>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"
#include "plugins/stats/log_log_limits.h"
#include "plugins/stats/quantile.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

using analysis::v1::Estimate;

constexpr std::size_t kMaxTableRows = 400;

Estimate OfArm(const Question& question, int arm, const stats::KaplanMeierCurve& curve,
               absl::string_view measure) {
  Estimate estimate =
      sdk::MakeEstimate(question, measure, "kaplan_meier", analysis::v1::STANDING_DESCRIPTIVE);
  estimate.set_arm(question.arm(arm).id);
  estimate.set_units(curve.units);
  estimate.set_blocks(question.layout.by_arm[static_cast<std::size_t>(arm)]);
  estimate.set_events(curve.events);
  return estimate;
}

absl::StatusOr<std::string> AddReachedBy(const Question& question, int arm,
                                         const stats::KaplanMeierCurve& curve, double day,
                                         sdk::ResultBuilder& builder) {
  auto reached = stats::ReachedBy(curve, day, question.level);
  if (!reached.ok()) return reached.status();
  Estimate estimate = OfArm(question, arm, curve, "reached_by");
  estimate.set_at(day);
  estimate.set_events(reached->events);
  return AddReachedShare(question, arm,
                         {.share = reached->share,
                          .standard_error = reached->standard_error,
                          .limits = reached->limits,
                          .past_follow_up = reached->past_follow_up},
                         std::move(estimate), builder);
}

absl::StatusOr<std::string> AddQuantile(const Question& question, int arm,
                                        const stats::KaplanMeierCurve& curve, double share,
                                        sdk::ResultBuilder& builder) {
  auto quantile = stats::DaysToQuantile(curve, share, question.level);
  if (!quantile.ok()) return quantile.status();
  Estimate estimate = OfArm(question, arm, curve, "days_to_quantile");
  estimate.set_at(share);
  estimate.set_scale("loglog");
  if (quantile->lower) estimate.set_lower(*quantile->lower);
  if (quantile->upper) estimate.set_upper(*quantile->upper);
  return AddQuantileDays(question, arm, quantile->days, std::move(estimate), builder);
}

absl::Status AddMeanDays(const Question& question, int arm, const stats::KaplanMeierCurve& curve,
                         sdk::ResultBuilder& builder) {
  auto mean = stats::RestrictedMeanDays(curve, question.horizon, question.level);
  if (!mean.ok()) return mean.status();
  Estimate estimate = OfArm(question, arm, curve, "restricted_mean_days");
  estimate.set_at(question.horizon);
  estimate.set_scale("linear");
  estimate.set_unit("d");
  estimate.set_value(mean->mean);
  if (mean->standard_error > 0) {
    estimate.set_standard_error(mean->standard_error);
    estimate.set_lower(mean->limits.lower);
    estimate.set_upper(mean->limits.upper);
  }
  builder.Add(std::move(estimate));
  return absl::OkStatus();
}

analysis::v1::TableRow CurveRow(const Question& question, int arm,
                                const stats::KaplanMeierStep& step, double z) {
  analysis::v1::TableRow row;
  const auto limits = stats::LogLogLimits(step, z);
  *row.add_cells() = sdk::TextCell(question.arm(arm).id);
  *row.add_cells() = sdk::NumberCell(step.time);
  *row.add_cells() = sdk::CountCell(step.at_risk);
  *row.add_cells() = sdk::CountCell(step.events);
  *row.add_cells() = sdk::CountCell(step.censored);
  *row.add_cells() = sdk::NumberCell(1 - step.survival);
  *row.add_cells() = limits ? sdk::NumberCell(1 - limits->upper) : analysis::v1::Cell();
  *row.add_cells() = limits ? sdk::NumberCell(1 - limits->lower) : analysis::v1::Cell();
  return row;
}

}  // namespace

std::vector<double> DaysToReport(const Question& question) {
  std::vector<double> days;
  for (const double share : {0.25, 0.5, 0.75}) {
    const double day = share * question.horizon;
    days.push_back(question.horizon >= 4 ? std::round(day) : day);
  }
  days.push_back(question.horizon);
  if (const auto asked = question.parameters.Number("at_day")) days.push_back(*asked);
  std::sort(days.begin(), days.end());
  days.erase(std::unique(days.begin(), days.end()), days.end());
  return days;
}

std::string AddReachedShare(const Question& question, int arm, const ReachedShare& reached,
                            Estimate estimate, sdk::ResultBuilder& builder) {
  estimate.set_scale("linear");
  estimate.set_unit("1");
  if (reached.past_follow_up) {
    builder.Warn("day_past_follow_up",
                 absl::StrCat("With ", question.Quoted(arm),
                              " nothing was observed as late as day ", sdk::Short(estimate.at(), 2),
                              ", so the share reached by then is not stated."));
    return builder.Add(std::move(estimate), "day_past_follow_up");
  }
  estimate.set_value(reached.share);
  if (reached.limits) {
    estimate.set_standard_error(reached.standard_error);
    estimate.set_lower(reached.limits->lower);
    estimate.set_upper(reached.limits->upper);
  }
  return builder.Add(std::move(estimate));
}

std::string AddQuantileDays(const Question& question, int arm, std::optional<double> days,
                            Estimate estimate, sdk::ResultBuilder& builder) {
  estimate.set_unit("d");
  if (days) {
    estimate.set_value(*days);
    return builder.Add(std::move(estimate));
  }
  builder.Warn("quantile_not_reached",
               absl::StrCat("With ", question.Quoted(arm), " fewer than ",
                            sdk::Short(100 * estimate.at(), 0), " of 100 ", question.noun.plural,
                            " had reached the threshold while they were followed, so the day by "
                            "which so many do is not known."));
  return builder.Add(std::move(estimate), "quantile_not_reached");
}

absl::StatusOr<ArmDescriptions> DescribeArms(const Question& question,
                                             const std::vector<stats::KaplanMeierCurve>& curves,
                                             sdk::ResultBuilder& builder) {
  ArmDescriptions ids;
  ids.reached_by_horizon.resize(curves.size());
  ids.median.resize(curves.size());
  for (std::size_t position = 0; position < curves.size(); ++position) {
    const stats::KaplanMeierCurve& curve = curves[position];
    const int arm = static_cast<int>(position);
    if (curve.units == 0) continue;
    for (const double day : DaysToReport(question)) {
      auto id = AddReachedBy(question, arm, curve, day, builder);
      if (!id.ok()) return id.status();
      if (day == question.horizon) ids.reached_by_horizon[position] = *std::move(id);
    }
    for (const double share : kSharesToReport) {
      auto id = AddQuantile(question, arm, curve, share, builder);
      if (!id.ok()) return id.status();
      if (share == 0.5) ids.median[position] = *std::move(id);
    }
    if (question.horizon <= 0) continue;
    if (auto status = AddMeanDays(question, arm, curve, builder); !status.ok()) return status;
  }
  return ids;
}

void AddCurveTable(const Question& question, const std::vector<stats::KaplanMeierCurve>& curves,
                   sdk::ResultBuilder& builder) {
  analysis::v1::Table table;
  table.set_id("curves");
  table.set_title(
      absl::StrCat("Share of ", question.noun.plural, " that reached the threshold, by day"));
  for (const char* column : {"arm", "day", "under way", "reached that day", "no longer followed",
                             "share reached", "lower", "upper"}) {
    table.add_columns(column);
  }
  const double z = stats::TwoSidedNormalQuantile(question.level);
  for (std::size_t position = 0; position < curves.size(); ++position) {
    const auto& steps = curves[position].steps;
    const std::size_t stride = (steps.size() + kMaxTableRows - 1) / kMaxTableRows;
    for (std::size_t i = 0; i < steps.size(); ++i) {
      if (i % stride != 0 && i + 1 != steps.size()) continue;
      *table.add_rows() = CurveRow(question, static_cast<int>(position), steps[i], z);
    }
    if (stride > 1) {
      builder.Warn(
          "curve_table_thinned",
          absl::StrCat("The table of the curve of ", question.Quoted(static_cast<int>(position)),
                       " shows one of every ", stride, " days on which something happened."));
    }
  }
  builder.Add(std::move(table));
}

}  // namespace plumule::time_to_threshold
