#include <set>
#include <string>

#include "absl/strings/str_cat.h"
#include "plugins/stats/log_rank.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

using analysis::v1::Test;

void AddTest(const stats::ChiSquareTest& found, Test test, absl::string_view reason,
             absl::string_view message, sdk::ResultBuilder& builder) {
  if (SetFigures(found, &test)) {
    builder.Add(std::move(test));
    return;
  }
  builder.Warn(reason, message);
  builder.Add(std::move(test), reason);
}

// By arm of the question; empty unless every arm has a dose, all in one unit.
std::vector<double> DosesOf(const Question& question, const study::v1::Protocol& protocol) {
  std::vector<double> doses;
  std::set<std::string> units;
  for (const sdk::Arm& arm : question.analyzed.arms) {
    for (const study::v1::Arm& declared : protocol.arms()) {
      if (declared.id() != arm.id || !declared.has_dose()) continue;
      doses.push_back(declared.dose().amount().value());
      units.insert(declared.dose().amount().unit());
    }
  }
  if (doses.size() != question.analyzed.arms.size() || units.size() != 1) return {};
  return doses;
}

absl::Status AddTrend(const Question& question, const std::vector<double>& doses,
                      const SurvivalRows& rows, sdk::ResultBuilder& builder) {
  const auto log_rank = stats::TestLogRank(rows.view(), stats::Stratification::kByBlock);
  if (!log_rank.ok()) return log_rank.status();
  const auto trend = stats::TestTrend(*log_rank, doses);
  if (!trend.ok()) return trend.status();
  AddTest(
      *trend, sdk::MakeTest(question, "trend", "chi_square", -1, analysis::v1::STANDING_SECONDARY),
      "no_trend_to_test",
      "No unit that reached the threshold compares arms of different doses within a block, so a "
      "trend over doses can't be tested.",
      builder);
  builder.Cite("Tarone RE (1975). Tests for trend in life table analysis. Biometrika 62:679-682",
               "10.1093/biomet/62.3.679", "trend over doses");
  return absl::OkStatus();
}

}  // namespace

absl::Status AddWeightedTests(const Question& question, const study::v1::Protocol& protocol,
                              const SurvivalRows& rows, sdk::ResultBuilder& builder) {
  const auto early = stats::TestPetoPeto(rows.view());
  if (!early.ok()) return early.status();
  AddTest(
      early->test,
      sdk::MakeTest(question, "peto_peto", "chi_square", -1, analysis::v1::STANDING_SECONDARY),
      "nothing_to_rank_early",
      "No unit reached the threshold at a moment when units of two arms were still under way and "
      "did not all reach it at once, so the Peto-Peto test can't be had.",
      builder);
  builder.Cite(
      "Peto R, Peto J (1972). Asymptotically efficient rank invariant test procedures. Journal of "
      "the Royal Statistical Society A 135:185-207",
      "10.2307/2344317", "Peto-Peto test");
  const std::vector<double> doses = DosesOf(question, protocol);
  if (doses.size() < 3) return absl::OkStatus();
  return AddTrend(question, doses, rows, builder);
}

}  // namespace plumule::time_to_threshold
