#include "plugins/pooled-effects/studies.h"

#include <cmath>
#include <set>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"

namespace plumule::pooled_effects {
namespace {

using plugin::v1::StudyEffect;

constexpr std::size_t kMaxProblemLines = 20;

absl::StatusOr<stats::Effect> FromCounts(const analysis::v1::CountsByArm& counts,
                                         const std::string& measure) {
  const stats::TwoProportions table = {.arm_successes = counts.events_treated(),
                                       .arm_trials = counts.n_treated(),
                                       .against_successes = counts.events_control(),
                                       .against_trials = counts.n_control()};
  if (measure == "log_risk_ratio") return stats::LogRiskRatio(table);
  if (measure == "log_odds_ratio") return stats::LogOddsRatio(table);
  if (measure == "risk_difference") return stats::RiskDifference(table);
  return absl::InvalidArgumentError(
      absl::StrCat("counts can't be turned into the measure \"", measure,
                   "\"; use log_risk_ratio, log_odds_ratio or risk_difference"));
}

absl::StatusOr<stats::Effect> ReadEffect(const StudyEffect& study, const std::string& measure) {
  const bool has_effect = study.has_effect() || study.has_variance();
  if (has_effect && study.has_counts()) {
    return absl::InvalidArgumentError("give either effect and variance or the four counts");
  }
  if (study.has_counts()) return FromCounts(study.counts(), measure);
  if (!study.has_effect() || !study.has_variance()) {
    return absl::InvalidArgumentError("effect and variance, or the four counts, are missing");
  }
  if (!std::isfinite(study.effect())) return absl::InvalidArgumentError("the effect is not finite");
  if (!std::isfinite(study.variance()) || study.variance() <= 0) {
    return absl::InvalidArgumentError("the variance must be above 0 and finite");
  }
  return stats::Effect{.estimate = study.effect(), .variance = study.variance()};
}

bool HasZeroCell(const StudyEffect& study) {
  if (!study.has_counts()) return false;
  const auto& counts = study.counts();
  return counts.events_treated() == 0 || counts.events_control() == 0 ||
         counts.events_treated() == counts.n_treated() ||
         counts.events_control() == counts.n_control();
}

}  // namespace

absl::StatusOr<Studies> ReadStudies(const plugin::v1::SynthesizeRequest& request) {
  Studies studies;
  std::vector<std::string> problems;
  std::set<std::string> names;
  for (const StudyEffect& study : request.studies()) {
    if (study.study().empty()) problems.push_back("a study has no name");
    if (!study.study().empty() && !names.insert(study.study()).second) {
      problems.push_back(absl::StrCat("study ", study.study(), ": the name is given twice"));
    }
    auto effect = ReadEffect(study, request.measure());
    if (!effect.ok()) {
      problems.push_back(
          absl::StrCat("study ", study.study(), ": ", std::string(effect.status().message())));
      continue;
    }
    studies.names.push_back(study.study());
    studies.effects.push_back(*effect);
    studies.groups.push_back(study.group());
    studies.with_zero_cells += HasZeroCell(study) ? 1 : 0;
    studies.with_moderators = studies.with_moderators || study.moderators_size() > 0;
  }
  if (request.studies().empty()) problems.push_back("there is no study to pool");
  if (problems.empty()) return studies;
  if (problems.size() > kMaxProblemLines) {
    const std::size_t more = problems.size() - kMaxProblemLines;
    problems.resize(kMaxProblemLines);
    problems.push_back(absl::StrCat("and ", more, " more"));
  }
  return absl::InvalidArgumentError(absl::StrJoin(problems, "\n"));
}

std::map<std::string, std::vector<std::size_t>> Groups(const Studies& studies) {
  std::map<std::string, std::vector<std::size_t>> groups;
  for (std::size_t i = 0; i < studies.size(); ++i) {
    if (!studies.groups[i].empty()) groups[studies.groups[i]].push_back(i);
  }
  if (groups.size() < 2) groups.clear();
  return groups;
}

std::vector<stats::Effect> At(const Studies& studies, const std::vector<std::size_t>& positions) {
  std::vector<stats::Effect> effects;
  for (const std::size_t position : positions) effects.push_back(studies.effects[position]);
  return effects;
}

}  // namespace plumule::pooled_effects
