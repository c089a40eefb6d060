#include "plugins/time-to-threshold/plan.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "absl/strings/str_cat.h"
#include "plugins/sdk/power_figure.h"
#include "plugins/stats/arguments.h"
#include "plugins/stats/proportion.h"

namespace plumule::time_to_threshold {
namespace {

using analysis::v1::Estimate;
using stats::PlannedTest;

constexpr int kFormulaPoints = 40;

// The two ways to find the effect.
struct Way {
  PlannedTest test;
  const char* formula;     // method of figures by formula
  const char* simulation;  // and by simulation
  const char* label;
  stats::SimulatedTest stats::Simulation::*simulated;
};

constexpr Way kWays[] = {
    {PlannedTest::kRestrictedMeanDifference, "restricted_mean_by_formula",
     "restricted_mean_by_simulation", "Difference in mean days (the planned analysis)",
     &stats::Simulation::restricted_mean},
    {PlannedTest::kLogRankByBlock, "log_rank_by_block_by_formula",
     "log_rank_by_block_by_simulation", "Log-rank test by block", &stats::Simulation::log_rank}};

// Collects the estimates of a plan.
class Writer {
 public:
  Writer(const PlanQuestion& question, const PlanNumbers& numbers, sdk::ResultBuilder& builder)
      : question_(question), numbers_(numbers), builder_(builder) {}

  absl::StatusOr<PlanIds> Write() {
    for (const Way& way : kWays) {
      if (auto status = AddSimulatedPower(way); !status.ok()) return status;
    }
    AddBlocks();
    for (const Way& way : kWays) {
      if (auto status = AddFormulaPower(way); !status.ok()) return status;
    }
    if (auto status = AddWidths(); !status.ok()) return status;
    AddDetectable();
    AddExpected();
    return ids_;
  }

 private:
  using Standing = analysis::v1::Standing;

  Estimate Make(const char* measure, const char* method, Standing standing, double at) const {
    Estimate estimate;
    estimate.set_measure(measure);
    estimate.set_method(method);
    estimate.set_standing(standing);
    estimate.set_at(at);
    estimate.set_unit("1");
    estimate.set_scale("linear");
    estimate.set_level(question_.level);
    estimate.set_analysis_set("planned");
    return estimate;
  }

  double blocks() const { return static_cast<double>(numbers_.blocks); }
  static Standing StandingOf(const Way& way) {
    return way.test == PlannedTest::kRestrictedMeanDifference ? analysis::v1::STANDING_PRIMARY
                                                              : analysis::v1::STANDING_SECONDARY;
  }

  // Monte Carlo limits: Clopper-Pearson of the simulated studies that found the effect.
  absl::Status AddSimulatedPower(const Way& way) {
    const stats::Simulation* found = numbers_.at_issue();
    if (found == nullptr) return absl::OkStatus();
    const stats::SimulatedTest& test = found->*way.simulated;
    Estimate estimate = Make("power", way.simulation, StandingOf(way), blocks());
    estimate.set_value(test.power);
    estimate.set_standard_error(test.power_error);
    const auto limits = Limits(test);
    if (!limits.ok()) return limits.status();
    estimate.set_lower(limits->lower);
    estimate.set_upper(limits->upper);
    const std::string id = builder_.Add(std::move(estimate));
    if (way.test == PlannedTest::kRestrictedMeanDifference) ids_.power = id;
    return absl::OkStatus();
  }

  absl::StatusOr<stats::Interval> Limits(const stats::SimulatedTest& test) const {
    // The share's error says how many studies were simulated, unless none or all found the effect.
    const double variance = test.power_error * test.power_error;
    const double trials =
        variance > 0 ? std::round(test.power * (1 - test.power) / variance) : question_.replicates;
    const auto share = stats::ClopperPearson(std::llround(test.power * trials),
                                             std::llround(trials), question_.level);
    if (!share.ok()) return share.status();
    return share->limits;
  }

  void AddBlocks() {
    if (numbers_.simulated_blocks) {
      Estimate estimate = Make("blocks_for_power", kWays[0].simulation,
                               analysis::v1::STANDING_PRIMARY, question_.power);
      estimate.set_value(*numbers_.simulated_blocks);
      ids_.blocks_for_power = builder_.Add(std::move(estimate));
    }
    for (const Way& way : kWays) {
      const auto needed =
          stats::BlocksFor(numbers_.expected, way.test, question_.power, question_.alpha);
      if (!needed.ok() || !needed->value) continue;
      Estimate estimate = Make("blocks_for_power", way.formula, StandingOf(way), question_.power);
      estimate.set_value(*needed->value);
      const std::string id = builder_.Add(std::move(estimate));
      if (way.test == PlannedTest::kRestrictedMeanDifference) ids_.formula_blocks = id;
    }
  }

  absl::Status AddFormulaPower(const Way& way) {
    if (numbers_.blocks == 0) return absl::OkStatus();
    const auto power =
        stats::PowerWith(numbers_.expected, way.test, numbers_.blocks, question_.alpha);
    if (!power.ok()) return power.status();
    if (!power->value) return absl::OkStatus();
    Estimate estimate = Make("power", way.formula, StandingOf(way), blocks());
    estimate.set_value(*power->value);
    builder_.Add(std::move(estimate));
    return absl::OkStatus();
  }

  absl::Status AddWidths() {
    if (numbers_.blocks == 0) return absl::OkStatus();
    const auto width =
        stats::IntervalWidthWith(numbers_.expected, PlannedTest::kRestrictedMeanDifference,
                                 numbers_.blocks, question_.alpha);
    if (!width.ok()) return width.status();
    if (width->value) {
      ids_.width = AddWidth(kWays[0].formula, *width->value);
    }
    const stats::Simulation* found = numbers_.at_issue();
    if (found != nullptr && found->restricted_mean.mean_width) {
      AddWidth(kWays[0].simulation, *found->restricted_mean.mean_width);
    }
    return absl::OkStatus();
  }

  std::string AddWidth(const char* method, double days) {
    Estimate estimate = Make("interval_width", method, analysis::v1::STANDING_SECONDARY, blocks());
    estimate.set_unit("d");
    estimate.set_value(days);
    return builder_.Add(std::move(estimate));
  }

  void AddDetectable() {
    if (!numbers_.detectable_days) return;
    Estimate estimate = Make("detectable_median_difference", kWays[0].formula,
                             analysis::v1::STANDING_SECONDARY, blocks());
    estimate.set_unit("d");
    estimate.set_value(-*numbers_.detectable_days);
    ids_.detectable = builder_.Add(std::move(estimate));
  }

  // What the study would see if it were endless.
  void AddExpected() {
    const auto add = [&](const char* measure, const char* who, double value, const char* unit) {
      Estimate estimate =
          Make(measure, "expected", analysis::v1::STANDING_DESCRIPTIVE, question_.expected.horizon);
      if (absl::string_view(measure) == "median_difference") estimate.clear_at();
      estimate.set_arm(who);
      estimate.set_unit(unit);
      estimate.set_value(value);
      return builder_.Add(std::move(estimate));
    };
    const stats::ExpectedDesign& expected = numbers_.expected;
    ids_.effect = add("median_difference", "treatment", -question_.expected.sooner_days, "d");
    add("restricted_mean_difference", "treatment", expected.difference, "d");
    add("restricted_mean_days", "control", expected.control.restricted_mean, "d");
    add("restricted_mean_days", "treatment", expected.treatment.restricted_mean, "d");
    add("reached_by", "control", expected.control.reached, "1");
    add("reached_by", "treatment", expected.treatment.reached, "1");
  }

  const PlanQuestion& question_;
  const PlanNumbers& numbers_;
  sdk::ResultBuilder& builder_;
  PlanIds ids_;
};

absl::Status AddPowerFigure(const PlanQuestion& question, const PlanNumbers& numbers,
                            sdk::ResultBuilder& builder) {
  if (numbers.blocks == 0) return absl::OkStatus();
  std::vector<sdk::PowerCurve> curves;
  for (const Way& way : kWays) {
    sdk::PowerCurve curve;
    curve.label = way.label;
    curve.position = static_cast<int>(curves.size());
    const std::int64_t most = std::max<std::int64_t>(
        2 * numbers.blocks, numbers.simulated.empty() ? 0 : numbers.simulated.back().blocks);
    const std::int64_t stride = std::max<std::int64_t>(1, most / kFormulaPoints);
    for (std::int64_t blocks = std::max<std::int64_t>(2, stride); blocks <= most;
         blocks += stride) {
      const auto power = stats::PowerWith(numbers.expected, way.test, blocks, question.alpha);
      if (!power.ok()) return power.status();
      if (!power->value) continue;
      curve.formula.push_back({.blocks = static_cast<double>(blocks),
                               .power = *power->value,
                               .lower = {},
                               .upper = {}});
    }
    for (const SimulatedBlocks& one : numbers.simulated) {
      const stats::SimulatedTest& test = one.found.*way.simulated;
      const double reach = stats::TwoSidedNormalQuantile(question.level) * test.power_error;
      curve.simulated.push_back({.blocks = static_cast<double>(one.blocks),
                                 .power = test.power,
                                 .lower = std::max(0.0, test.power - reach),
                                 .upper = std::min(1.0, test.power + reach)});
    }
    curves.push_back(std::move(curve));
  }
  builder.Add(sdk::PowerFigure(
      "power", "How many blocks show the effect",
      absl::StrCat("Lines are by formula, marks by simulating the study, with ",
                   sdk::IntervalWords(question.level),
                   "s of the simulation. The dashed lines are the wanted power and the number of "
                   "blocks spoken of."),
      curves, question.power, static_cast<double>(numbers.blocks), question.level));
  return absl::OkStatus();
}

void AddTables(const PlanQuestion& question, const PlanNumbers& numbers,
               sdk::ResultBuilder& builder) {
  analysis::v1::Table power;
  power.set_id("simulated_power");
  power.set_title("Studies that find the effect, of 100, by simulation");
  for (const char* column : {"blocks", "difference in mean days", "log-rank by block",
                             "mean width of the interval, days", "intervals that hold the truth"}) {
    power.add_columns(column);
  }
  for (const SimulatedBlocks& one : numbers.simulated) {
    auto& row = *power.add_rows();
    *row.add_cells() = sdk::CountCell(one.blocks);
    *row.add_cells() = sdk::NumberCell(100 * one.found.restricted_mean.power);
    *row.add_cells() = sdk::NumberCell(100 * one.found.log_rank.power);
    *row.add_cells() = one.found.restricted_mean.mean_width
                           ? sdk::NumberCell(*one.found.restricted_mean.mean_width)
                           : analysis::v1::Cell();
    *row.add_cells() =
        one.found.coverage ? sdk::NumberCell(100 * *one.found.coverage) : analysis::v1::Cell();
  }
  if (power.rows_size() > 0) builder.Add(std::move(power));

  analysis::v1::Table what_if;
  what_if.set_id("what_if");
  what_if.set_title("What would change the answer (by formula)");
  what_if.add_columns("if instead");
  what_if.add_columns(absl::StrCat("blocks for power ", sdk::Short(question.power, 3)));
  what_if.add_columns(absl::StrCat("power with ", numbers.blocks, " blocks"));
  for (const WhatIf& one : numbers.what_if) {
    auto& row = *what_if.add_rows();
    *row.add_cells() = sdk::TextCell(one.words);
    *row.add_cells() = one.blocks_needed ? sdk::CountCell(std::llround(*one.blocks_needed))
                                         : sdk::TextCell("out of reach");
    *row.add_cells() = one.power ? sdk::NumberCell(*one.power) : analysis::v1::Cell();
  }
  if (what_if.rows_size() > 0) builder.Add(std::move(what_if));
}

}  // namespace

absl::StatusOr<analysis::v1::Result> Plan(const plugin::v1::Manifest& manifest,
                                          const plugin::v1::PlanRequest& request,
                                          const sdk::Progress& progress) {
  const auto question = AskPlanQuestion(manifest, request);
  if (!question.ok()) return question.status();
  sdk::ResultBuilder builder;
  const auto numbers = WorkOut(*question, progress, builder);
  if (!numbers.ok()) return numbers.status();
  const auto ids = Writer(*question, *numbers, builder).Write();
  if (!ids.ok()) return ids.status();
  if (auto status = AddPowerFigure(*question, *numbers, builder); !status.ok()) return status;
  AddTables(*question, *numbers, builder);
  SayPlan(*question, *numbers, *ids, builder);
  progress(1, "done");
  if (numbers->blocks == 0) return builder.Finish(analysis::v1::RESULT_STATUS_CANNOT_ANSWER);
  return builder.Finish(ids->power.empty() ? analysis::v1::RESULT_STATUS_PARTLY
                                           : analysis::v1::RESULT_STATUS_ANSWERED);
}

}  // namespace plumule::time_to_threshold
