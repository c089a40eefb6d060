#include <optional>
#include <string>

#include "absl/strings/str_cat.h"
#include "plugins/stats/proportional_hazards.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

using analysis::v1::Test;

// Below these p-values the assumption fails or is in doubt (common practice, no source).
constexpr double kFails = 0.01;
constexpr double kDoubtful = 0.10;

void AddTest(const Question& question, int arm, const stats::ChiSquareTest& found,
             absl::string_view method, sdk::ResultBuilder& builder) {
  Test test = sdk::MakeTest(question, "proportional_hazards", method, arm,
                            analysis::v1::STANDING_SECONDARY);
  SetFigures(found, &test);
  builder.Add(std::move(test));
}

// Adds the tests of one model and returns the p-value of all arms together.
absl::StatusOr<std::optional<double>> TestModel(const Question& question, const SurvivalRows& rows,
                                                stats::Stratification strata,
                                                sdk::ResultBuilder& builder) {
  const auto found = stats::TestProportionalHazards(rows.view(), question.control(), strata,
                                                    stats::TimeScale::kKaplanMeier);
  if (!found.ok()) return found.status();
  if (!found->global) return std::optional<double>();
  const std::string method = strata == stats::Stratification::kByBlock
                                 ? "scaled_schoenfeld_stratified_by_block"
                                 : "scaled_schoenfeld";
  AddTest(question, -1, *found->global, method, builder);
  for (std::size_t arm = 0; arm < found->arm.size() && question.treatments.size() > 1; ++arm) {
    if (!found->arm[arm]) continue;
    AddTest(question, static_cast<int>(arm), *found->arm[arm], method, builder);
  }
  return found->global->p_value;
}

void Assume(std::optional<double> p_value, sdk::ResultBuilder& builder) {
  const char* what = "The hazard ratio is the same on all days.";
  if (!p_value) {
    builder.Assume(what,
                   "Can't be checked with these data: the hazard ratio has no finite fit, or all "
                   "events fell on one day.",
                   analysis::v1::VERDICT_NOT_CHECKED,
                   "Read the difference of restricted means, which does not need this.");
    return;
  }
  const std::string check =
      absl::StrCat("Scaled Schoenfeld residuals against the share that had reached it: p ",
                   *p_value < 0.001 ? "below 0.001" : sdk::Short(*p_value, 3), ".");
  if (*p_value >= kDoubtful) {
    builder.Assume(what, check, analysis::v1::VERDICT_HOLDS,
                   "The hazard ratio may be read; the difference of restricted means, which is the "
                   "primary figure, does not need this.");
    return;
  }
  const char* instead =
      "The hazard ratio changes with time, so one number for it misleads: read the difference of "
      "restricted means instead.";
  if (*p_value >= kFails) {
    builder.Assume(
        what, check, analysis::v1::VERDICT_DOUBTFUL,
        "The hazard ratio may change with time: rather read the difference of restricted "
        "means.");
    return;
  }
  builder.Assume(what, check, analysis::v1::VERDICT_FAILS, instead);
  builder.Warn("hazards_not_proportional", instead);
}

}  // namespace

absl::Status CheckProportionalHazards(const Question& question, const SurvivalRows& rows,
                                      sdk::ResultBuilder& builder) {
  const auto by_block = TestModel(question, rows, stats::Stratification::kByBlock, builder);
  if (!by_block.ok()) return by_block.status();
  const auto overall = TestModel(question, rows, stats::Stratification::kNone, builder);
  if (!overall.ok()) return overall.status();
  Assume(*by_block ? *by_block : *overall, builder);
  builder.Cite(
      "Grambsch PM, Therneau TM (1994). Proportional hazards tests and diagnostics based on "
      "weighted residuals. Biometrika 81:515-526",
      "10.1093/biomet/81.3.515", "check of proportional hazards");
  return absl::OkStatus();
}

}  // namespace plumule::time_to_threshold
