// Checks of rules.
#include <algorithm>
#include <cmath>
#include <limits>

#include "absl/strings/str_cat.h"
#include "server/protocol/report.h"
#include "server/protocol/spelling.h"

namespace plumule::protocol {
namespace {

using study::v1::Moment;
using study::v1::Rule;
using study::v1::Variable;

constexpr size_t kMostRules = 100;
constexpr int kLongestWithinDays = 3650;
constexpr int kLongestLookInterval = 365;

bool IsNumeric(const Variable& variable) { return variable.has_number() || variable.has_count(); }

void TypeUnfit(const std::string& path, const Variable& variable, absl::string_view wanted,
               Report* report) {
  report->Add(path, "variable_type_unfit",
              absl::StrCat(Quote(variable.id()), " is a ", TypeName(variable)),
              absl::StrCat("use a variable of type ", wanted));
}

void ScopeUnfit(const std::string& path, const Variable& variable, absl::string_view wanted,
                Report* report) {
  report->Add(path, "variable_scope_unfit",
              absl::StrCat(Quote(variable.id()), " has the scope ", ScopeName(variable.scope())),
              absl::StrCat("use a variable of scope ", wanted));
}

// True if the moment is a good one.
bool CheckMoment(const DefinitionIndex& index, const std::string& path, const Moment& moment,
                 Report* report) {
  switch (moment.at_case()) {
    case Moment::kDateVariable: {
      const std::string here = At(path, "date_variable");
      const Variable* variable =
          CheckVariableReference(index, here, moment.date_variable(), report);
      if (variable == nullptr) return false;
      if (!variable->has_date()) {
        TypeUnfit(here, *variable, "date", report);
        return false;
      }
      if (variable->scope() == study::v1::SCOPE_OBSERVATION) {
        ScopeUnfit(here, *variable, "grower, block or unit", report);
        return false;
      }
      return true;
    }
    case Moment::kMilestone:
      if (!study::v1::Milestone_IsValid(moment.milestone()) ||
          moment.milestone() == study::v1::MILESTONE_UNSPECIFIED) {
        report->Add(At(path, "milestone"), "milestone_missing", "the milestone is not stated",
                    "write MILESTONE_JOINED, MILESTONE_BLOCK_STARTED, MILESTONE_UNIT_STARTED or "
                    "MILESTONE_LOST");
        return false;
      }
      return true;
    case Moment::kThreshold:
      return CheckThresholdReference(index, At(path, "threshold"), moment.threshold(), report) !=
             nullptr;
    case Moment::AT_NOT_SET:
      break;
  }
  report->Add(path, "moment_missing", "the day is not stated",
              "write one of date_variable, milestone, threshold");
  return false;
}

bool SameMoment(const Moment& a, const Moment& b) {
  return a.at_case() == b.at_case() && a.date_variable() == b.date_variable() &&
         a.milestone() == b.milestone() && a.threshold() == b.threshold();
}

void CheckMoments(const DefinitionIndex& index, const std::string& path, const Moment& a,
                  const Moment& b, Report* report) {
  const bool a_good = CheckMoment(index, At(path, "a"), a, report);
  const bool b_good = CheckMoment(index, At(path, "b"), b, report);
  if (a_good && b_good && SameMoment(a, b)) {
    report->Add(path, "moments_same", "a and b are the same day", "name two different days");
  }
}

void CheckMaxDays(const std::string& path, int days, int least, int most, Report* report) {
  if (days < least || days > most) {
    report->Add(At(path, "max_days"), "max_days_out_of_range", absl::StrCat(days, " days"),
                absl::StrCat("write ", least, " to ", most));
  }
}

void CheckSameAcrossArms(const DefinitionIndex& index, const std::string& path,
                         const study::v1::SameAcrossArms& same, Report* report) {
  if (same.variable().empty() != same.start_day()) {
    report->Add(path, "same_across_arms_unclear",
                same.start_day() ? "both a variable and start_day are named"
                                 : "neither a variable nor start_day is named",
                "name one; make two rules for both");
    return;
  }
  if (same.start_day()) return;
  const std::string here = At(path, "variable");
  const Variable* variable = CheckVariableReference(index, here, same.variable(), report);
  if (variable == nullptr) return;
  if (variable->scope() != study::v1::SCOPE_UNIT) {
    ScopeUnfit(here, *variable, "unit", report);
  } else if (variable->has_photo()) {
    TypeUnfit(here, *variable, "number, count, date, yes_no, choice, text or country", report);
  }
}

// True if `codes` name every option, so that no answer but free words can hold another.
bool NamesEveryOption(const Variable& variable,
                      const google::protobuf::RepeatedPtrField<std::string>& codes) {
  return variable.has_choice() && !variable.choice().allow_other() &&
         codes.size() == variable.choice().options_size();
}

void CheckOneOf(const DefinitionIndex& index, const std::string& path,
                const study::v1::OneOf& one_of, Report* report) {
  const std::string here = At(path, "variable");
  const Variable* variable = CheckVariableReference(index, here, one_of.variable(), report);
  if (variable == nullptr) return;
  if (!variable->has_choice() && !variable->has_country()) {
    return TypeUnfit(here, *variable, "choice or country", report);
  }
  if (CheckCodes(At(path, "codes"), *variable, one_of.codes(), report) &&
      NamesEveryOption(*variable, one_of.codes())) {
    report->Add(At(path, "codes"), "rule_never_broken", "every option is listed",
                "leave out the codes that break the rule");
  }
}

void CheckNotOnly(const DefinitionIndex& index, const std::string& path,
                  const study::v1::NotOnly& not_only, Report* report) {
  const std::string here = At(path, "variable");
  const Variable* variable = CheckVariableReference(index, here, not_only.variable(), report);
  if (variable == nullptr) return;
  if (!variable->has_choice()) return TypeUnfit(here, *variable, "choice", report);
  if (CheckCodes(At(path, "codes"), *variable, not_only.codes(), report) &&
      NamesEveryOption(*variable, not_only.codes())) {
    report->Add(At(path, "codes"), "rule_always_broken", "every option is listed",
                "leave out the codes that an answer must hold one of");
  }
}

struct Interval {
  double min = -std::numeric_limits<double>::infinity();
  double max = std::numeric_limits<double>::infinity();
};

Interval IntervalOf(const study::v1::Range& range) {
  Interval interval;
  if (range.has_min()) interval.min = range.min();
  if (range.has_max()) interval.max = range.max();
  return interval;
}

Interval HardRange(const Variable& variable) {
  Interval interval;
  if (variable.has_count()) {
    interval.min = 0;
    if (variable.count().has_hard_max()) {
      interval.max = static_cast<double>(variable.count().hard_max());
    }
  }
  if (variable.number().has_hard_min()) interval.min = variable.number().hard_min();
  if (variable.number().has_hard_max()) interval.max = variable.number().hard_max();
  return interval;
}

void CheckRange(const DefinitionIndex& index, const std::string& path,
                const study::v1::Range& range, Report* report) {
  const std::string here = At(path, "variable");
  const Variable* variable = CheckVariableReference(index, here, range.variable(), report);
  if (variable != nullptr && !IsNumeric(*variable)) {
    return TypeUnfit(here, *variable, "number or count", report);
  }
  if (!range.has_min() && !range.has_max()) {
    return report->Add(path, "range_empty", "there is neither min nor max", "write at least one");
  }
  const Interval interval = IntervalOf(range);
  const auto is_number = [](bool has, double limit) { return !has || std::isfinite(limit); };
  if (!is_number(range.has_min(), range.min()) || !is_number(range.has_max(), range.max())) {
    return report->Add(At(path, is_number(range.has_min(), range.min()) ? "max" : "min"),
                       "not_finite", "the limit is infinite or not a number",
                       "write a plain number, or leave it out");
  }
  if (interval.max < interval.min) {
    return report->Add(At(path, "max"), "range_inverted",
                       absl::StrCat("max ", range.max(), " is below min ", range.min()),
                       "exchange the two");
  }
  if (variable == nullptr) return;
  const Interval hard = HardRange(*variable);
  if (interval.max < hard.min || interval.min > hard.max) {
    report->Add(path, "rule_always_broken", "the range lies outside the variable's hard range",
                "give limits within the hard range");
  } else if (interval.min <= hard.min && interval.max >= hard.max) {
    report->Add(path, "rule_never_broken", "the variable's hard range is no wider",
                "give narrower limits, or leave the rule out");
  }
}

void CheckMonotone(const DefinitionIndex& index, const std::string& path,
                   const study::v1::Monotone& monotone, Report* report) {
  const std::string here = At(path, "variable");
  const Variable* variable = CheckVariableReference(index, here, monotone.variable(), report);
  if (variable != nullptr) {
    if (!IsNumeric(*variable)) {
      TypeUnfit(here, *variable, "number or count", report);
    } else if (variable->scope() != study::v1::SCOPE_OBSERVATION) {
      ScopeUnfit(here, *variable, "observation", report);
    }
  }
  if (!std::isfinite(monotone.tolerated_drop())) {
    report->Add(At(path, "tolerated_drop"), "not_finite", "the drop is infinite or not a number",
                "write a plain number");
  } else if (monotone.tolerated_drop() < 0) {
    report->Add(At(path, "tolerated_drop"), "tolerated_drop_negative",
                absl::StrCat("a drop of ", monotone.tolerated_drop()),
                "write 0, or the measuring error");
  }
}

void CheckConditionTest(const std::string& path, const study::v1::Condition& condition,
                        const Variable& variable, Report* report) {
  const auto unfit = [&](absl::string_view field, absl::string_view wanted) {
    report->Add(At(path, field), "condition_type_unfit",
                absl::StrCat(Quote(variable.id()), " is a ", TypeName(variable)),
                absl::StrCat("test it otherwise, or use a variable of type ", wanted));
  };
  switch (condition.test_case()) {
    case study::v1::Condition::kYesNo:
      if (!variable.has_yes_no()) unfit("yes_no", "yes_no");
      return;
    case study::v1::Condition::kAnyOf:
      if (!variable.has_choice() && !variable.has_country()) {
        unfit("any_of", "choice or country");
      } else {
        CheckCodes(At(path, "any_of.codes"), variable, condition.any_of().codes(), report);
      }
      return;
    case study::v1::Condition::kAtLeast:
      if (!IsNumeric(variable)) {
        unfit("at_least", "number or count");
      } else if (!std::isfinite(condition.at_least())) {
        report->Add(At(path, "at_least"), "not_finite", "it is infinite or not a number",
                    "write a plain number");
      }
      return;
    case study::v1::Condition::TEST_NOT_SET:
      report->Add(path, "condition_test_missing", "the condition has no test",
                  "write one of yes_no, any_of, at_least");
  }
}

void CheckRequiredWhen(const DefinitionIndex& index, const std::string& path,
                       const study::v1::RequiredWhen& required, Report* report) {
  const Variable* variable =
      CheckVariableReference(index, At(path, "variable"), required.variable(), report);
  if (variable != nullptr && variable->required()) {
    report->Add(At(path, "variable"), "rule_never_broken",
                absl::StrCat(Quote(variable->id()), " is required anyway"),
                "leave the rule out, or do not require the variable always");
  }
  if (!required.has_condition()) {
    return report->Add(At(path, "condition"), "condition_missing", "there is no condition",
                       "write a variable and a test");
  }
  const std::string here = At(path, "condition");
  const Variable* other =
      CheckVariableReference(index, At(here, "variable"), required.condition().variable(), report);
  if (other == nullptr) return;
  if (other == variable) {
    return report->Add(At(here, "variable"), "condition_on_itself",
                       "the condition is on the variable itself", "name another variable");
  }
  if (variable != nullptr && other->scope() != variable->scope()) {
    report->Add(At(here, "variable"), "scopes_differ",
                absl::StrCat(Quote(other->id()), " has the scope ", ScopeName(other->scope()), ", ",
                             Quote(variable->id()), " ", ScopeName(variable->scope())),
                "use two variables of one scope");
  }
  CheckConditionTest(here, required.condition(), *other, report);
}

void CheckUnique(const DefinitionIndex& index, const std::string& path,
                 const study::v1::UniqueInStudy& unique, Report* report) {
  const std::string here = At(path, "variable");
  const Variable* variable = CheckVariableReference(index, here, unique.variable(), report);
  if (variable == nullptr) return;
  if (!variable->has_text() && !variable->has_count()) {
    TypeUnfit(here, *variable, "text or count", report);
  } else if (variable->scope() == study::v1::SCOPE_OBSERVATION) {
    ScopeUnfit(here, *variable, "grower, block or unit", report);
  }
}

void CheckKind(const DefinitionIndex& index, const std::string& path, const Rule& rule,
               Report* report) {
  switch (rule.kind_case()) {
    case Rule::kWithinDays: {
      const std::string here = At(path, "within_days");
      CheckMoments(index, here, rule.within_days().a(), rule.within_days().b(), report);
      return CheckMaxDays(here, rule.within_days().max_days(), 0, kLongestWithinDays, report);
    }
    case Rule::kNotBefore:
      return CheckMoments(index, At(path, "not_before"), rule.not_before().a(),
                          rule.not_before().b(), report);
    case Rule::kSameAcrossArms:
      return CheckSameAcrossArms(index, At(path, "same_across_arms"), rule.same_across_arms(),
                                 report);
    case Rule::kOneOf:
      return CheckOneOf(index, At(path, "one_of"), rule.one_of(), report);
    case Rule::kNotOnly:
      return CheckNotOnly(index, At(path, "not_only"), rule.not_only(), report);
    case Rule::kRange:
      return CheckRange(index, At(path, "range"), rule.range(), report);
    case Rule::kMonotone:
      return CheckMonotone(index, At(path, "monotone"), rule.monotone(), report);
    case Rule::kLookInterval:
      return CheckMaxDays(At(path, "look_interval"), rule.look_interval().max_days(), 1,
                          kLongestLookInterval, report);
    case Rule::kRequiredWhen:
      return CheckRequiredWhen(index, At(path, "required_when"), rule.required_when(), report);
    case Rule::kUniqueInStudy:
      return CheckUnique(index, At(path, "unique_in_study"), rule.unique_in_study(), report);
    case Rule::KIND_NOT_SET:
      report->Add(path, "rule_kind_missing", "the rule checks nothing",
                  "write one of within_days, not_before, same_across_arms, one_of, not_only, "
                  "range, monotone, look_interval, required_when, unique_in_study");
  }
}

void CheckOutcome(const std::string& path, const Rule& rule, Report* report) {
  if (!study::v1::RuleOutcome_IsValid(rule.outcome()) ||
      rule.outcome() == study::v1::RULE_OUTCOME_UNSPECIFIED) {
    report->Add(At(path, "outcome"), "rule_outcome_missing", "what follows, is not said",
                "write RULE_OUTCOME_REFUSE, RULE_OUTCOME_DEVIATION or RULE_OUTCOME_NOTE");
    return;
  }
  if (rule.leaves_primary_set() && rule.outcome() != study::v1::RULE_OUTCOME_DEVIATION) {
    report->Add(At(path, "leaves_primary_set"), "leaves_without_deviation",
                "the outcome is not a deviation",
                "write RULE_OUTCOME_DEVIATION, or leave leaves_primary_set out");
  }
  if (rule.outcome() == study::v1::RULE_OUTCOME_REFUSE &&
      (rule.has_look_interval() || rule.has_monotone())) {
    report->Add(At(path, "outcome"), "refusal_loses_looks", "looks that break the rule are refused",
                "write RULE_OUTCOME_DEVIATION or RULE_OUTCOME_NOTE");
  }
}

using Codes = google::protobuf::RepeatedPtrField<std::string>;

bool Holds(const Codes& codes, const std::string& code) {
  return std::find(codes.begin(), codes.end(), code) != codes.end();
}

bool AllIn(const Codes& codes, const Codes& others) {
  return std::all_of(codes.begin(), codes.end(),
                     [&](const std::string& code) { return Holds(others, code); });
}

bool AnyIn(const Codes& codes, const Codes& others) {
  return std::any_of(codes.begin(), codes.end(),
                     [&](const std::string& code) { return Holds(others, code); });
}

// Why two good rules can't both be kept; empty if they can.
std::string Contradiction(const Rule& a, const Rule& b) {
  if (a.has_range() && b.has_range() && a.range().variable() == b.range().variable()) {
    const Interval x = IntervalOf(a.range()), y = IntervalOf(b.range());
    return std::max(x.min, y.min) > std::min(x.max, y.max) ? "the two ranges do not meet" : "";
  }
  if (a.has_one_of() && b.has_one_of() && a.one_of().variable() == b.one_of().variable()) {
    return AnyIn(a.one_of().codes(), b.one_of().codes()) ? "" : "no code stands in both lists";
  }
  if (a.has_one_of() && b.has_not_only() && a.one_of().variable() == b.not_only().variable()) {
    return AllIn(a.one_of().codes(), b.not_only().codes())
               ? "every code that one_of allows must not stand alone"
               : "";
  }
  if (a.has_not_only() && b.has_one_of()) return Contradiction(b, a);
  if (a.has_not_before() && b.has_not_before() &&
      SameMoment(a.not_before().a(), b.not_before().b()) &&
      SameMoment(a.not_before().b(), b.not_before().a()) &&
      !SameMoment(a.not_before().a(), a.not_before().b())) {
    return "each day must not come before the other";
  }
  return "";
}

bool Binds(const Rule& rule) { return rule.outcome() != study::v1::RULE_OUTCOME_NOTE; }

// Reports contradictions of the rule at `later` with those before it.
void CheckContradictions(const google::protobuf::RepeatedPtrField<Rule>& rules, int later,
                         const std::string& path, Report* report) {
  for (int earlier = 0; earlier < later; ++earlier) {
    if (!Binds(rules[earlier]) || !Binds(rules[later])) continue;
    const std::string contradiction = Contradiction(rules[earlier], rules[later]);
    if (!contradiction.empty()) {
      report->Add(path, "rules_contradict",
                  absl::StrCat("with rule ", Quote(rules[earlier].id()), ": ", contradiction),
                  "change one of the two, or leave it out");
    }
  }
}

}  // namespace

void CheckRules(const DefinitionIndex& index, Report* report) {
  const auto& rules = index.definition.rules();
  std::vector<absl::string_view> ids;
  for (const auto& rule : rules) ids.push_back(rule.id());
  const std::vector<std::string> paths = CheckIds("rules", ids, kMostRules, IdShape::kId, report);
  for (size_t i = 0; i < paths.size(); ++i) {
    const Rule& rule = rules[static_cast<int>(i)];
    CheckText(index, At(paths[i], "words"), rule.words(), Words::kRequired, report);
    CheckOutcome(paths[i], rule, report);
    CheckKind(index, paths[i], rule, report);
    CheckContradictions(rules, static_cast<int>(i), paths[i], report);
  }
}

}  // namespace plumule::protocol
