#include <array>
#include <cmath>
#include <string>
#include <utility>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plugins/stats/accelerated_failure.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

using stats::AcceleratedFailureFit;
using stats::AcceleratedFailureStatus;
using stats::CoefficientState;
using stats::TimeModel;

struct Family {
  TimeModel model;
  const char* words;
};
constexpr std::array<Family, 3> kFamilies = {{
    {TimeModel::kWeibull, "Weibull"},
    {TimeModel::kLogNormal, "log-normal"},
    {TimeModel::kLogLogistic, "log-logistic"},
}};

// A model whose AIC is larger by this much has essentially no support beside the better one
// (Burnham & Anderson 2002, Model Selection and Multimodel Inference, §2.6).
constexpr double kNoSupport = 10;

// Why the model as a whole gives nothing; "" where it does.
std::string Obstacle(const AcceleratedFailureFit& fit, const Family& family,
                     sdk::ResultBuilder& builder) {
  std::string reason;
  std::string words;
  switch (fit.status) {
    case AcceleratedFailureStatus::kConverged:
      return "";
    case AcceleratedFailureStatus::kNothingToFit:
      reason = "no_times_to_model";
      words = "no arm shows when units reach the threshold rather than only whether";
      break;
    case AcceleratedFailureStatus::kNoSpread:
      reason = "times_without_spread";
      words = "within each arm all units may have reached the threshold at the same time";
      break;
    case AcceleratedFailureStatus::kEndlessSpread:
      reason = "looks_too_far_apart";
      words = "looks were too far apart to show how times spread";
      break;
    case AcceleratedFailureStatus::kNotConverged:
      reason = "not_converged";
      words = "the fit did not settle";
      break;
  }
  builder.Warn(reason, absl::StrCat("There is no ratio of times by the ", family.words,
                                    " model, because ", words, "."));
  return reason;
}

std::string ExplainArm(const Question& question, const AcceleratedFailureFit& fit, int arm,
                       sdk::ResultBuilder& builder) {
  const auto state = fit.state[static_cast<std::size_t>(arm)];
  const bool late = state == CoefficientState::kPlusInfinity;
  const bool soon = state == CoefficientState::kMinusInfinity;
  builder.Warn("time_ratio_not_estimable",
               absl::StrCat("There is no ratio of times of ", question.Quoted(arm), " and ",
                            question.Quoted(question.control()), ": ",
                            late   ? "by the looks the first may be without end later"
                            : soon ? "by the looks the first may be without end sooner"
                                   : "neither shows when it reaches the threshold",
                            "."));
  return "time_ratio_not_estimable";
}

void AddRatio(const Question& question, const AcceleratedFailureFit& fit, const SurvivalRows& rows,
              const Family& family, int arm, const std::string& obstacle,
              sdk::ResultBuilder& builder) {
  const auto position = static_cast<std::size_t>(arm);
  auto estimate =
      sdk::MakeEstimate(question, "time_ratio", absl::StrCat("aft_", stats::ToString(family.model)),
                        analysis::v1::STANDING_SECONDARY);
  estimate.set_arm(question.arm(arm).id);
  estimate.set_against(question.arm(question.control()).id);
  estimate.set_scale("log");
  estimate.set_unit("1");
  estimate.set_units(rows.units(arm) + rows.units(question.control()));
  estimate.set_events(rows.events(arm) + rows.events(question.control()));
  estimate.set_blocks(fit.blocks);
  if (!obstacle.empty()) {
    builder.Add(std::move(estimate), obstacle);
    return;
  }
  if (fit.state[position] != CoefficientState::kFinite) {
    const std::string reason = ExplainArm(question, fit, arm, builder);
    builder.Add(std::move(estimate), reason);
    return;
  }
  estimate.set_value(std::exp(fit.coefficient[position]));
  const bool with_errors = fit.standard_error && (*fit.standard_error)[position] > 0;
  if (!with_errors) {
    builder.Warn("time_ratio_without_interval",
                 "There are too few blocks for an interval of the ratio of times.");
    builder.Add(std::move(estimate));
    return;
  }
  estimate.set_standard_error((*fit.standard_error)[position]);
  estimate.set_lower(std::exp((*fit.limits)[position].lower));
  estimate.set_upper(std::exp((*fit.limits)[position].upper));
  auto test =
      sdk::MakeTest(question, "time_ratio", "normal", arm, analysis::v1::STANDING_SECONDARY);
  test.set_statistic(fit.coefficient[position] / (*fit.standard_error)[position]);
  test.set_p_value((*fit.p_value)[position]);
  builder.Add(std::move(estimate));
  builder.Add(std::move(test));
}

// How well each family fits; returns the position of the best.
std::size_t AddModelTable(const std::vector<AcceleratedFailureFit>& fits, std::size_t chosen,
                          sdk::ResultBuilder& builder) {
  analysis::v1::Table table;
  table.set_id("time_models");
  table.set_title("How well models of the times fit (a smaller AIC is better)");
  for (const char* column : {"model", "AIC", "log-likelihood", "parameters"}) {
    table.add_columns(column);
  }
  std::size_t best = chosen;
  for (std::size_t i = 0; i < fits.size(); ++i) {
    auto& row = *table.add_rows();
    *row.add_cells() = sdk::TextCell(kFamilies[i].words);
    if (fits[i].status != AcceleratedFailureStatus::kConverged) {
      for (int cell = 0; cell < 3; ++cell) *row.add_cells() = sdk::NumberCell(NAN);
      continue;
    }
    *row.add_cells() = sdk::NumberCell(fits[i].aic);
    *row.add_cells() = sdk::NumberCell(fits[i].log_likelihood);
    *row.add_cells() = sdk::CountCell(fits[i].parameters);
    if (fits[i].aic < fits[best].aic) best = i;
  }
  builder.Add(std::move(table));
  return best;
}

void AssumeOneFactor(const Family& chosen, const Family& best, double aic_lost,
                     sdk::ResultBuilder& builder) {
  const bool doubtful = aic_lost > kNoSupport;
  builder.Assume(
      absl::StrCat("Times follow the ", chosen.words,
                   " model: the treatment stretches or shrinks them all by one factor, and units "
                   "that never make it are very late ones of the same kind (ratio of times)."),
      doubtful ? absl::StrCat("The ", best.words, " model fits far better: its AIC is ",
                              sdk::Decimal(aic_lost, 0), " smaller.")
               : "No other model of the table has an AIC smaller by more than 10.",
      doubtful ? analysis::v1::VERDICT_DOUBTFUL : analysis::v1::VERDICT_HOLDS,
      "Where many never make it the ratio of times mixes how many with how soon; read the "
      "restricted means first.");
}

}  // namespace

absl::Status AddTimeRatios(const Question& question, const SurvivalRows& rows,
                           sdk::ResultBuilder& builder) {
  const LookRows looks(question.analyzed);
  const std::string asked = question.parameters.Choice("time_model");
  std::vector<AcceleratedFailureFit> fits;
  std::size_t chosen = 0;
  for (std::size_t i = 0; i < kFamilies.size(); ++i) {
    auto fit =
        stats::FitAcceleratedFailure(looks.view(), question.control(),
                                     {.model = kFamilies[i].model, .confidence = question.level});
    if (!fit.ok()) return fit.status();
    fits.push_back(*std::move(fit));
    if (asked == stats::ToString(kFamilies[i].model)) chosen = i;
  }
  const std::string obstacle = Obstacle(fits[chosen], kFamilies[chosen], builder);
  for (const int arm : question.treatments) {
    AddRatio(question, fits[chosen], rows, kFamilies[chosen], arm, obstacle, builder);
  }
  if (!obstacle.empty()) return absl::OkStatus();
  const std::size_t best = AddModelTable(fits, chosen, builder);
  AssumeOneFactor(kFamilies[chosen], kFamilies[best], fits[chosen].aic - fits[best].aic, builder);
  return absl::OkStatus();
}

}  // namespace plumule::time_to_threshold
