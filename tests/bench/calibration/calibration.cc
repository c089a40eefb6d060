#include "tests/bench/calibration/calibration.h"

#include <cmath>
#include <functional>
#include <limits>
#include <map>
#include <optional>
#include <utility>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "plugins/stats/accelerated_failure.h"
#include "plugins/stats/cox.h"
#include "plugins/stats/first_in_block.h"
#include "plugins/stats/interval.h"
#include "plugins/stats/kaplan_meier.h"
#include "plugins/stats/log_rank.h"
#include "plugins/stats/restricted_mean.h"
#include "plugins/stats/survival_draw.h"
#include "plugins/stats/survival_plan.h"

namespace plumule::calibration {
namespace {

using stats::Interval;
using stats::Survival;
using stats::SurvivalDraw;

constexpr double kLevel = 0.95;
constexpr char kCovers[] = "interval holds the truth";
constexpr char kRejects[] = "test rejects though nothing differs";

stats::SurvivalDesign DesignOf(double never, double hazard_ratio) {
  return {.control_median = 15,
          .hazard_ratio = hazard_ratio,
          .shape = 2.5,
          .control_never = never,
          .treatment_never = never,
          .block_variance = 0.5,
          .loss_share = 0.05,
          .block_loss_share = 0.05,
          .units_per_arm = 2,
          .shortest_follow_up = 40,
          .longest_follow_up = 60,
          .look_days = 3,
          .horizon = 39};
}

// One analysis of a study: did its interval hold the truth, did its test reject? Absent: no answer.
struct Method {
  const char* what;
  const char* name;
  // Granted beside Monte Carlo error: fixed + by_blocks / blocks, for the reason beside it.
  double fixed;
  double by_blocks;
  std::function<std::optional<bool>(const Survival&)> answer;
};

// Errors summed by block are too small by a share of about 1 / blocks.
constexpr double kSandwich = 1;
// Units of one arm in a block are alike, which the limits of a single arm ignore.
constexpr double kAlike = 0.02;

std::optional<bool> Holds(const std::optional<Interval>& limits, double truth) {
  if (!limits) return std::nullopt;
  return limits->lower <= truth && truth <= limits->upper;
}

std::optional<bool> Rejects(const std::optional<double>& p_value) {
  if (!p_value) return std::nullopt;
  return *p_value < 1 - kLevel;
}

std::optional<stats::RestrictedMeanContrast> Contrast(const Survival& data, double tau,
                                                      stats::ErrorModel errors) {
  const auto contrast = stats::CompareRestrictedMeans(data, SurvivalDraw::kTreatment,
                                                      SurvivalDraw::kControl, tau, errors, kLevel);
  if (!contrast.ok() || !contrast->difference_p_value) return std::nullopt;
  return *contrast;
}

Method DifferenceHolds(const char* name, stats::ErrorModel errors, double tau, double truth) {
  const bool robust = errors == stats::ErrorModel::kClusterRobust;
  return {kCovers, name, 0, robust ? kSandwich : 0,
          [=](const Survival& data) -> std::optional<bool> {
            const auto contrast = Contrast(data, tau, errors);
            if (!contrast) return std::nullopt;
            return Holds(contrast->difference_limits, truth);
          }};
}

stats::CoxFit FitCox(const Survival& data, bool by_block) {
  return *stats::FitCox(
      data, SurvivalDraw::kControl,
      {.ties = by_block ? stats::Ties::kExact : stats::Ties::kEfron,
       .strata = by_block ? stats::Stratification::kByBlock : stats::Stratification::kNone,
       .cluster_robust = !by_block,
       .confidence = kLevel});
}

std::optional<bool> CoxAnswer(const Survival& data, bool by_block, std::optional<double> truth) {
  const auto fit = FitCox(data, by_block);
  if (fit.status != stats::FitStatus::kConverged ||
      fit.state[SurvivalDraw::kTreatment] != stats::CoefficientState::kFinite) {
    return std::nullopt;
  }
  if (truth) return Holds(fit.limits[SurvivalDraw::kTreatment], *truth);
  return Rejects(fit.p_value[SurvivalDraw::kTreatment]);
}

// The looks on either side of each crossing.
std::optional<bool> TimeRatioRejects(const Survival& data, double every) {
  std::vector<double> lower, upper;
  for (std::size_t row = 0; row < data.units(); ++row) {
    const bool seen = data.event[row] != 0;
    lower.push_back(seen ? data.time[row] - every : data.time[row]);
    upper.push_back(seen ? data.time[row] : std::numeric_limits<double>::infinity());
  }
  const auto fit = stats::FitAcceleratedFailure(
      {.lower = lower, .upper = upper, .arm = data.arm, .block = data.block, .arms = 2},
      SurvivalDraw::kControl, {.confidence = kLevel});
  if (fit->status != stats::AcceleratedFailureStatus::kConverged || !fit->p_value) {
    return std::nullopt;
  }
  return Rejects((*fit->p_value)[SurvivalDraw::kTreatment]);
}

std::optional<bool> SignRejects(const Survival& data) {
  const auto counts =
      stats::CountFirstInBlock(data, SurvivalDraw::kTreatment, SurvivalDraw::kControl);
  const auto sign = stats::TestSign(counts->arm_first, counts->against_first, kLevel);
  if (!*sign) return std::nullopt;
  return Rejects((*sign)->p_value);
}

// What is asked of studies in which nothing differs.
std::vector<Method> OfNull(const stats::SurvivalDesign& design) {
  const double tau = design.horizon;
  const double every = stats::LookInterval(design);
  return {
      {kRejects, "restricted_mean_difference, cluster_robust", 0, kSandwich,
       [=](const Survival& data) -> std::optional<bool> {
         const auto contrast = Contrast(data, tau, stats::ErrorModel::kClusterRobust);
         if (!contrast) return std::nullopt;
         return Rejects(contrast->difference_p_value);
       }},
      {kRejects, "log_rank_stratified_by_block", 0, 0,
       [](const Survival& data) {
         return Rejects(stats::TestLogRank(data, stats::Stratification::kByBlock)->test.p_value);
       }},
      {kRejects, "log_rank", 0, 0,
       [](const Survival& data) {
         return Rejects(stats::TestLogRank(data, stats::Stratification::kNone)->test.p_value);
       }},
      {kRejects, "peto_peto", 0, 0,
       [](const Survival& data) { return Rejects(stats::TestPetoPeto(data)->test.p_value); }},
      {kRejects, "hazard_ratio, cox_stratified_by_block", 0, 0,
       [](const Survival& data) { return CoxAnswer(data, true, std::nullopt); }},
      {kRejects, "hazard_ratio, cox_cluster_robust", 0, kSandwich,
       [](const Survival& data) { return CoxAnswer(data, false, std::nullopt); }},
      {kRejects, "time_ratio, aft_weibull", 0, kSandwich,
       [=](const Survival& data) { return TimeRatioRejects(data, every); }},
      {kRejects, "first_in_block, sign_test", 0, 0, SignRejects},
  };
}

// What is asked of studies in which the treatment is sooner.
std::vector<Method> OfEffect(const stats::SurvivalDesign& design) {
  const auto expected = stats::Expect(design);
  const double tau = design.horizon;
  const double reached = expected->control.reached;
  std::vector<Method> methods = {
      DifferenceHolds("restricted_mean_difference, cluster_robust",
                      stats::ErrorModel::kClusterRobust, tau, expected->difference),
      DifferenceHolds("restricted_mean_difference, kaplan_meier", stats::ErrorModel::kIndependent,
                      tau, expected->difference)};
  methods.push_back({kCovers, "reached_by, kaplan_meier (control)", kAlike, 0,
                     [=](const Survival& data) -> std::optional<bool> {
                       const auto curves = stats::KaplanMeierByArm(data);
                       const auto share =
                           stats::ReachedBy((*curves)[SurvivalDraw::kControl], tau, kLevel);
                       return Holds(share->limits, reached);
                     }});
  return methods;
}

void Ask(const std::vector<Method>& methods, const stats::SurvivalDesign& design, int blocks,
         int studies, std::uint64_t seed, std::vector<Rate>& rates) {
  std::vector<int> answered(methods.size()), yes(methods.size());
  SurvivalDraw study(design, blocks);
  for (int replicate = 0; replicate < studies; ++replicate) {
    study.Draw(seed, replicate);
    for (std::size_t i = 0; i < methods.size(); ++i) {
      const auto answer = methods[i].answer(study.view());
      if (!answer) continue;
      ++answered[i];
      yes[i] += *answer ? 1 : 0;
    }
  }
  for (std::size_t i = 0; i < methods.size(); ++i) {
    rates.push_back({.what = methods[i].what,
                     .method = methods[i].name,
                     .blocks = blocks,
                     .never = design.control_never,
                     .studies = answered[i],
                     .rate = answered[i] == 0 ? 0 : static_cast<double>(yes[i]) / answered[i],
                     .nominal = methods[i].what == kCovers ? kLevel : 1 - kLevel,
                     .allowance = methods[i].fixed + methods[i].by_blocks / blocks});
  }
}

}  // namespace

double Rate::error() const { return std::sqrt(nominal * (1 - nominal) / std::max(1, studies)); }

bool Rate::holds() const {
  if (studies == 0) return false;
  const double slack = allowance + 4 * error();
  return what == kCovers ? rate >= nominal - slack : rate <= nominal + slack;
}

std::vector<Rate> Calibrate(const std::vector<int>& blocks, int studies, std::uint64_t seed) {
  std::vector<Rate> rates;
  for (const int count : blocks) {
    for (const double never : {0.1, 0.4}) {
      const auto null = DesignOf(never, 1);
      Ask(OfNull(null), null, count, studies, seed, rates);
      const auto effect = DesignOf(never, 1.6);
      Ask(OfEffect(effect), effect, count, studies, seed + 1, rates);
    }
  }
  return rates;
}

std::string TableOf(const std::vector<Rate>& rates) {
  // One line a question and method, one column a design.
  std::vector<std::pair<std::string, std::string>> lines;
  std::map<std::pair<int, double>, std::map<std::pair<std::string, std::string>, const Rate*>>
      designs;
  for (const Rate& rate : rates) {
    const std::pair line(rate.what, rate.method);
    auto& design = designs[{rate.blocks, rate.never}];
    design[line] = &rate;
    if (designs.size() == 1) lines.push_back(line);
  }
  std::string table = "| of 100 studies: | method |";
  std::string rule = "| --- | --- |";
  for (const auto& [design, unused] : designs) {
    absl::StrAppendFormat(&table, " %d blocks, %g%% never |", design.first, 100 * design.second);
    rule += " ---: |";
  }
  absl::StrAppend(&table, "\n", rule, "\n");
  for (const auto& line : lines) {
    absl::StrAppend(&table, "| ", line.first, " | ", line.second, " |");
    for (const auto& [unused, of_design] : designs) {
      const Rate& rate = *of_design.at(line);
      absl::StrAppendFormat(&table, " %.1f%s |", 100 * rate.rate, rate.holds() ? "" : " !");
    }
    table += "\n";
  }
  return table;
}

}  // namespace plumule::calibration
