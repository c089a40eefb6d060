#include "clients/cli/print/words.h"

#include <cmath>
#include <utility>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_replace.h"
#include "absl/types/span.h"

namespace plumule::cli {
namespace {

using analysis::v1::Estimate;

struct Words {
  absl::string_view name, words;
};

constexpr Words kMeasures[] = {
    {"reached_by", "share that reached it"},
    {"days_to_quantile", "time until a share had reached it"},
    {"restricted_mean_days", "mean time, up to a limit"},
    {"restricted_mean_difference", "difference in mean time, up to a limit"},
    {"restricted_mean_ratio", "ratio of mean times, up to a limit"},
    {"hazard_ratio", "hazard ratio"},
    {"time_ratio", "time ratio"},
    {"first_in_block", "share of decided blocks in which it came first"},
    {"median_difference", "difference in median time"},
    {"share", "share that made it"},
    {"success_share", "share that made it"},
    {"risk_difference", "difference in shares"},
    {"risk_ratio", "ratio of shares"},
    {"odds_ratio", "odds ratio"},
    {"log_risk_ratio", "log of the ratio of shares"},
    {"log_odds_ratio", "log odds ratio"},
    {"log_hazard_ratio", "log hazard ratio"},
    {"success_share_difference", "difference in the share that made it"},
    {"success_share_ratio", "ratio of the shares that made it"},
    {"pooled_ratio", "pooled ratio"},
    {"pooled_effect", "pooled effect"},
    {"prediction_interval", "effect to expect in a new study"},
    {"tau_squared", "variance between studies, τ²"},
    {"i_squared", "share of the differences beyond chance, I²"},
    {"h_squared", "H²"},
    {"power", "studies that find the effect"},
    {"blocks_for_power", "blocks needed"},
    {"interval_width", "expected width of the interval"},
    {"detectable_median_difference", "smallest difference in median time to be found"},
};

constexpr Words kMethods[] = {
    {"kaplan_meier", "Kaplan–Meier"},
    {"kaplan_meier_independent", "Kaplan–Meier, units as independent"},
    {"aalen_johansen", "Aalen–Johansen"},
    {"turnbull", "Turnbull, between looks"},
    {"cluster_robust", "cluster-robust by block"},
    {"cluster_robust_single_step", "cluster-robust by block, single step"},
    {"cluster_robust_midpoint", "cluster-robust by block, halfway between looks"},
    {"leave_one_block_out_lowest", "lowest without one block"},
    {"leave_one_block_out_highest", "highest without one block"},
    {"aft_weibull", "accelerated failure, Weibull"},
    {"aft_lognormal", "accelerated failure, log-normal"},
    {"aft_loglogistic", "accelerated failure, log-logistic"},
    {"cox_stratified_by_block", "Cox, stratified by block"},
    {"cox_cluster_robust", "Cox, cluster-robust by block"},
    {"sign_test", "sign test"},
    {"log_rank", "log-rank"},
    {"log_rank_stratified_by_block", "log-rank, stratified by block"},
    {"peto_peto", "Peto–Peto"},
    {"scaled_schoenfeld", "scaled Schoenfeld residuals"},
    {"scaled_schoenfeld_stratified_by_block", "scaled Schoenfeld residuals, stratified by block"},
    {"clopper_pearson", "Clopper–Pearson"},
    {"wilson", "Wilson"},
    {"newcombe", "Newcombe"},
    {"newcombe_paired", "Newcombe, paired"},
    {"mcnemar", "McNemar"},
    {"mcnemar_exact", "McNemar, exact"},
    {"mcnemar_mid_p", "McNemar, mid-p"},
    {"mid_p", "mid-p"},
    {"chi_square", "chi-square"},
    {"chi_square_holm", "chi-square, Holm"},
    {"normal_holm", "normal, Holm"},
    {"normal_single_step", "normal, single step"},
    {"monte_carlo", "Monte Carlo"},
    {"randomization_within_block", "randomization within blocks"},
    {"reml", "random effects, REML"},
    {"common_effect", "common effect"},
    {"all_started", "all units that were started"},
    {"followed_protocol", "units that followed the protocol"},
    {"finishers_only", "only units that finished"},
    {"biological_loss_as_never", "rotted ones as never reaching it"},
    {"losses_against_treatment", "accidental losses at their worst"},
    {"losses_for_treatment", "accidental losses at their best"},
    {"restricted_mean_by_formula", "difference in mean time, by formula"},
    {"restricted_mean_by_simulation", "difference in mean time, by simulation"},
    {"log_rank_by_block_by_formula", "log-rank by block, by formula"},
    {"log_rank_by_block_by_simulation", "log-rank by block, by simulation"},
    {"planned", "the planned study"},
};

std::string LookUp(absl::Span<const Words> table, absl::string_view name) {
  for (const Words& entry : table) {
    if (entry.name == name) return std::string(entry.words);
  }
  return absl::StrReplaceAll(name, {{"_", " "}});
}

constexpr char kMinus[] = "−";

}  // namespace

std::string MeasureWords(absl::string_view measure) { return LookUp(kMeasures, measure); }
std::string MethodWords(absl::string_view method) { return LookUp(kMethods, method); }

std::string UnitWords(absl::string_view unit) {
  if (unit == "1" || unit == "{count}") return "";
  if (unit == "d") return "days";
  if (unit == "d2") return "days²";
  if (unit == "Cel") return "°C";
  if (unit == "[degF]") return "°F";
  if (unit == "[in_i]") return "in";
  if (unit == "[ppm]") return "ppm";
  return std::string(unit);
}

std::string NumberWords(double number) {
  if (number == 0) return "0";
  const double size = std::abs(number);
  std::string digits;
  if (size >= 999.5 && size < 1e6) {
    digits = absl::StrFormat("%.0f", size);
  } else if (size >= 1e-4 && size < 1e6) {
    digits = absl::StrFormat("%.*f", 3 - static_cast<int>(std::floor(std::log10(size))), size);
    while (absl::EndsWith(digits, "0")) digits.pop_back();
    if (absl::EndsWith(digits, ".")) digits.pop_back();
  } else {
    digits = absl::StrFormat("%.3e", size);
  }
  return number < 0 ? kMinus + digits : digits;
}

std::string PValueWords(double p_value) {
  return p_value < 0.001 ? "below 0.001" : absl::StrFormat("%.3f", p_value);
}

bool IsRatio(absl::string_view measure) {
  return absl::EndsWith(measure, "_ratio") && !absl::StartsWith(measure, "log_");
}

namespace {

std::string WithUnit(double number, absl::string_view unit) {
  const std::string words = UnitWords(unit);
  if (words.empty()) return NumberWords(number);
  return absl::StrCat(NumberWords(number), " ", words);
}

}  // namespace

std::string ValueWords(const Estimate& estimate) {
  return estimate.has_value() ? WithUnit(estimate.value(), estimate.unit()) : "can't be estimated";
}

std::string LevelWords(double level) { return NumberWords(level * 100) + " % interval"; }

std::string LimitWords(const Estimate& estimate) {
  if (!estimate.has_lower() && !estimate.has_upper()) return "";
  if (!estimate.has_upper()) {
    return absl::StrCat("from ", NumberWords(estimate.lower()), ", no upper limit");
  }
  if (!estimate.has_lower()) {
    return absl::StrCat("up to ", NumberWords(estimate.upper()), ", no lower limit");
  }
  return absl::StrCat(NumberWords(estimate.lower()), " to ", NumberWords(estimate.upper()));
}

std::string IntervalWords(const Estimate& estimate) {
  const std::string limits = LimitWords(estimate);
  if (limits.empty()) return "";
  return absl::StrCat(LevelWords(estimate.level() > 0 ? estimate.level() : 0.95), " ", limits);
}

std::string Counted(int64_t count, absl::string_view noun) {
  return absl::StrCat(count, " ", noun, count == 1 ? "" : "s");
}

std::string ContrastWords(const Estimate& estimate) {
  std::string words = !estimate.arm().empty() ? estimate.arm()
                      : absl::StrContains(estimate.analysis_set(), "studies") ||
                              estimate.analysis_set() == "planned"
                          ? LookUp(kMethods, estimate.analysis_set())
                          : "all units";
  if (!estimate.against().empty()) {
    words = absl::StrCat(estimate.arm(), IsRatio(estimate.measure()) ? " ÷ " : " − ",
                         estimate.against());
  }
  if (!estimate.subgroup().empty()) absl::StrAppend(&words, " [", estimate.subgroup(), "]");
  return words;
}

std::string AtWords(const Estimate& estimate) {
  if (!estimate.has_at()) return "";
  if (absl::StrContains(estimate.measure(), "quantile")) {
    return absl::StrCat("at ", NumberWords(estimate.at() * 100), " % of the units");
  }
  if (absl::StartsWith(estimate.measure(), "restricted_mean")) {
    return absl::StrCat("up to day ", NumberWords(estimate.at()));
  }
  if (absl::StartsWith(estimate.measure(), "reached_by")) {
    return absl::StrCat("by day ", NumberWords(estimate.at()));
  }
  if (estimate.measure() == "blocks_for_power") {
    return absl::StrCat("for power ", NumberWords(estimate.at()));
  }
  if (estimate.analysis_set() == "planned" && estimate.measure() != "median_difference") {
    return absl::StrCat("with ", NumberWords(estimate.at()), " blocks");
  }
  return absl::StrCat("at ", NumberWords(estimate.at()));
}

std::string StandingWords(analysis::v1::Standing standing) {
  switch (standing) {
    case analysis::v1::STANDING_PRIMARY:
      return "the answer";
    case analysis::v1::STANDING_SECONDARY:
      return "declared beside it";
    case analysis::v1::STANDING_SENSITIVITY:
      return "under other assumptions";
    case analysis::v1::STANDING_EXPLORATORY:
      return "exploratory: not declared before";
    default:
      return "description of each arm";
  }
}

std::string VerdictWords(analysis::v1::Verdict verdict) {
  switch (verdict) {
    case analysis::v1::VERDICT_HOLDS:
      return "holds";
    case analysis::v1::VERDICT_DOUBTFUL:
      return "doubtful";
    case analysis::v1::VERDICT_FAILS:
      return "fails";
    default:
      return "not checked";
  }
}

std::string StatusWords(analysis::v1::ResultStatus status) {
  switch (status) {
    case analysis::v1::RESULT_STATUS_ANSWERED:
      return "There is an answer.";
    case analysis::v1::RESULT_STATUS_PARTLY:
      return "Part of an answer: the main figure, or its interval, can't be had from these data.";
    default:
      return "These data can't answer the question.";
  }
}

}  // namespace plumule::cli
