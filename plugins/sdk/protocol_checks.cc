#include "plugins/sdk/protocol_checks.h"

#include <algorithm>
#include <string>

#include "absl/strings/str_cat.h"

namespace plumule::sdk {
namespace {

using study::v1::Analysis;
using study::v1::Problem;
using study::v1::Protocol;
using study::v1::Variable;

Problem MakeProblem(const Analysis& analysis, absl::string_view field, absl::string_view reason,
                    absl::string_view what, absl::string_view why, absl::string_view remedy) {
  Problem problem;
  problem.set_path(absl::StrCat("analyses[", analysis.id(), "].", field));
  problem.set_reason(std::string(reason));
  problem.set_what(std::string(what));
  problem.set_why(std::string(why));
  problem.set_remedy(std::string(remedy));
  return problem;
}

Problem Advice(Problem problem) {
  problem.set_advice(true);
  return problem;
}

template <typename List>
auto FindById(const List& list, absl::string_view id) {
  return std::find_if(list.begin(), list.end(), [id](const auto& item) { return item.id() == id; });
}

void CheckThreshold(const Protocol& protocol, const Analysis& analysis,
                    std::vector<Problem>& problems) {
  if (analysis.threshold().empty()) {
    problems.push_back(MakeProblem(
        analysis, "threshold", "threshold_missing", "The analysis names no threshold.",
        "It counts and times the units that reach one.", "Name one of the protocol's thresholds."));
    return;
  }
  const auto threshold = FindById(protocol.thresholds(), analysis.threshold());
  if (threshold == protocol.thresholds().end()) {
    problems.push_back(MakeProblem(
        analysis, "threshold", "threshold_unknown",
        absl::StrCat("The protocol has no threshold \"", analysis.threshold(), "\"."),
        "There would be nothing to analyze.", "Name one of the protocol's thresholds."));
    return;
  }
  if (threshold->arms_size() > 0 && threshold->arms_size() < protocol.arms_size()) {
    problems.push_back(Advice(
        MakeProblem(analysis, "threshold", "threshold_not_for_every_arm",
                    "The threshold does not apply to every arm.",
                    "Arms without it can't be compared with the others in this analysis.",
                    "Let it apply to every arm, or compare the others by another analysis.")));
  }
}

void CheckMargin(const Analysis& analysis, absl::string_view unit, std::vector<Problem>& problems) {
  if (!analysis.has_margin()) {
    problems.push_back(Advice(MakeProblem(
        analysis, "margin", "margin_missing", "No margin of practical importance is declared.",
        "Without it the finding can't say whether a difference matters.",
        absl::StrCat("State the smallest difference that would matter to a grower, in \"", unit,
                     "\"."))));
    return;
  }
  if (!analysis.margin().unit().empty() && analysis.margin().unit() != unit) {
    problems.push_back(
        MakeProblem(analysis, "margin.unit", "margin_unit",
                    absl::StrCat("The margin is in \"", analysis.margin().unit(), "\"."),
                    "It is compared with differences in another unit.",
                    absl::StrCat("Give it in \"", unit, "\".")));
  }
  if (!(analysis.margin().value() > 0)) {
    problems.push_back(MakeProblem(analysis, "margin.value", "margin_not_positive",
                                   "The margin is not above 0.",
                                   "Every difference would matter, and none could be ruled out.",
                                   "State the smallest difference that would matter."));
  }
}

bool HasLevels(const Variable& variable) {
  return variable.has_yes_no() || variable.has_country() ||
         (variable.has_choice() && !variable.choice().multiple());
}

void CheckSubgroups(const Protocol& protocol, const Analysis& analysis,
                    std::vector<Problem>& problems) {
  for (const std::string& id : analysis.subgroup_variables()) {
    const std::string path = absl::StrCat("subgroup_variables[", id, "]");
    const auto variable = FindById(protocol.variables(), id);
    if (variable == protocol.variables().end()) {
      problems.push_back(MakeProblem(analysis, path, "subgroup_unknown",
                                     absl::StrCat("The protocol has no variable \"", id, "\"."),
                                     "There would be no subgroups.",
                                     "Name a variable of grower, block or unit scope."));
    } else if (!HasLevels(*variable)) {
      problems.push_back(MakeProblem(
          analysis, path, "subgroup_without_levels",
          absl::StrCat("The variable \"", id, "\" has no levels to show the effect within."),
          "Subgroups need few groups, not a number, a date, free words or several answers at once.",
          "Name a yes-no, single choice or country variable."));
    }
  }
}

}  // namespace

std::vector<Problem> CheckThresholdAnalysis(const Protocol& protocol, const Analysis& analysis,
                                            absl::string_view margin_unit) {
  std::vector<Problem> problems;
  CheckThreshold(protocol, analysis, problems);
  CheckMargin(analysis, margin_unit, problems);
  CheckSubgroups(protocol, analysis, problems);
  if (!analysis.variable().empty()) {
    problems.push_back(Advice(MakeProblem(analysis, "variable", "variable_not_used",
                                          "The analysis names a variable, which is not used.",
                                          "Only the threshold counts here.", "Leave it out.")));
  }
  return problems;
}

}  // namespace plumule::sdk
