#include "server/protocol/compiled_protocol.h"

#include <algorithm>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "absl/strings/strip.h"
#include "server/protocol/check.h"
#include "server/protocol/civil_date.h"
#include "server/protocol/compiled_variable.h"
#include "server/protocol/country.h"
#include "server/protocol/reason.h"
#include "server/protocol/spelling.h"

namespace plumule::protocol {

using study::v1::Rule;
using study::v1::Variable;

void Reading::Clear() {
  values.clear();
  problems.clear();
  deviations.clear();
  notes.clear();
}

const CanonicalValue* Reading::Find(int variable) const {
  const auto found =
      std::lower_bound(values.begin(), values.end(), variable,
                       [](const auto& entry, int handle) { return entry.first < handle; });
  return found != values.end() && found->first == variable ? &found->second : nullptr;
}

CompiledProtocol::CompiledProtocol() = default;
CompiledProtocol::~CompiledProtocol() = default;

namespace {

int Find(const absl::flat_hash_map<std::string, int>& handles, absl::string_view id) {
  const auto found = handles.find(id);
  return found == handles.end() ? kNone : found->second;
}

template <class List>
absl::flat_hash_map<std::string, int> HandlesOf(const List& list) {
  absl::flat_hash_map<std::string, int> handles;
  for (int i = 0; i < list.size(); ++i) handles.emplace(list[i].id(), i);
  return handles;
}

// Where an answer lies on the line on which thresholds, ranges and conditions compare.
double Position(const CanonicalValue& value) {
  if (const auto* number = std::get_if<double>(&value)) return *number;
  if (const auto* count = std::get_if<std::int64_t>(&value)) return static_cast<double>(*count);
  if (const auto* yes = std::get_if<bool>(&value)) return *yes ? 1 : 0;
  const auto* chosen = std::get_if<ChosenCodes>(&value);
  return chosen != nullptr && !chosen->options.empty() ? chosen->options.front()
                                                       : std::numeric_limits<double>::quiet_NaN();
}

}  // namespace

// Fills a CompiledProtocol from its definition, which Check has found good.
class CompiledProtocol::Compiler {
 public:
  explicit Compiler(CompiledProtocol* compiled) : c_(*compiled) {}

  void Run() {
    Calendar();
    c_.arms_ = HandlesOf(c_.definition_.arms());
    c_.variable_handles_ = HandlesOf(c_.definition_.variables());
    c_.threshold_handles_ = HandlesOf(c_.definition_.thresholds());
    c_.losses_ = HandlesOf(c_.definition_.losses());
    for (int i = 0; i < c_.definition_.arms_size(); ++i) {
      if (c_.arm(i).role() == study::v1::ARM_ROLE_CONTROL) c_.control_arm_ = i;
    }
    for (int i = 0; i < c_.definition_.variables_size(); ++i) AddVariable(i);
    for (int i = 0; i < c_.definition_.thresholds_size(); ++i) AddThreshold(c_.threshold(i));
    for (int i = 0; i < c_.definition_.rules_size(); ++i) AddRule(i, c_.rule(i));
  }

 private:
  void Calendar() {
    const study::v1::Calendar& calendar = c_.definition_.calendar();
    c_.opens_on_ = *ParseDate(calendar.opens_on());
    c_.closes_on_ = *ParseDate(calendar.closes_on());
    c_.last_receipt_ = c_.closes_on_ + calendar.grace_days();
    c_.start_by_ = ParseDate(calendar.start_by());
    if (c_.start_by_) c_.last_start_ = *c_.start_by_ + calendar.start_tolerance_days();
    c_.time_zone_ = absl::UTCTimeZone();
    if (!calendar.time_zone().empty()) absl::LoadTimeZone(calendar.time_zone(), &c_.time_zone_);
  }

  static void AddNumber(const study::v1::NumberType& number, CompiledVariable* compiled) {
    compiled->units.push_back({number.unit(), Conversion{}});
    for (const std::string& unit : number.entry_units()) {
      compiled->units.push_back({unit, *ConversionBetween(unit, number.unit())});
    }
    if (number.has_hard_min()) compiled->hard_min = number.hard_min();
    if (number.has_hard_max()) compiled->hard_max = number.hard_max();
    if (number.has_plausible_min()) compiled->plausible_min = number.plausible_min();
    if (number.has_plausible_max()) compiled->plausible_max = number.plausible_max();
  }

  void AddVariable(int handle) {
    const Variable& variable = c_.variable(handle);
    CompiledVariable& compiled = c_.variables_.emplace_back();
    compiled.scope = variable.scope();
    compiled.type = variable.type_case();
    if (variable.required()) c_.required_[variable.scope()].push_back(handle);
    if (variable.has_number()) AddNumber(variable.number(), &compiled);
    if (variable.count().has_hard_max()) compiled.hard_count = variable.count().hard_max();
    if (variable.count().has_plausible_max()) {
      compiled.plausible_count = variable.count().plausible_max();
    }
    if (const auto earliest = ParseDate(variable.date().earliest())) compiled.earliest = *earliest;
    if (const auto latest = ParseDate(variable.date().latest())) compiled.latest = *latest;
    for (int i = 0; i < variable.choice().options_size(); ++i) {
      compiled.codes.emplace(variable.choice().options(i).code(), i);
    }
  }

  double Target(const study::v1::Value& target, int variable) const {
    if (target.has_number()) {
      const study::v1::Quantity& quantity = target.number();
      const std::string& canonical = c_.variable(variable).number().unit();
      if (quantity.unit().empty()) return quantity.value();
      return (*ConversionBetween(quantity.unit(), canonical))(quantity.value());
    }
    if (target.has_choice()) {
      return Find(c_.variables_[static_cast<size_t>(variable)].codes, target.choice().codes(0));
    }
    return target.kind_case() == study::v1::Value::kCount ? static_cast<double>(target.count())
           : target.yes_no()                              ? 1
                                                          : 0;
  }

  void AddThreshold(const study::v1::Threshold& threshold) {
    CompiledThreshold& compiled = c_.thresholds_.emplace_back();
    compiled.variable = c_.FindVariable(threshold.variable());
    compiled.comparison = threshold.comparison();
    compiled.target = Target(threshold.target(), compiled.variable);
    compiled.arms.assign(static_cast<size_t>(c_.definition_.arms_size()), threshold.arms().empty());
    for (const std::string& arm : threshold.arms()) {
      compiled.arms[static_cast<size_t>(c_.FindArm(arm))] = true;
    }
  }

  CompiledMoment MomentOf(const study::v1::Moment& moment) const {
    if (!moment.date_variable().empty()) {
      return {CompiledMoment::At::kDateVariable, c_.FindVariable(moment.date_variable()),
              study::v1::MILESTONE_UNSPECIFIED};
    }
    if (!moment.threshold().empty()) {
      return {CompiledMoment::At::kThreshold, c_.FindThreshold(moment.threshold()),
              study::v1::MILESTONE_UNSPECIFIED};
    }
    return {CompiledMoment::At::kMilestone, kNone, moment.milestone()};
  }

  FactRule* NewFactRule(int rule, const std::string& variable) {
    const int handle = c_.FindVariable(variable);
    FactRule& compiled = c_.fact_rules_[c_.variable(handle).scope()].emplace_back();
    compiled.rule = rule;
    compiled.variable = handle;
    return &compiled;
  }

  // Lists the codes of `variable`, a choice or country.
  void ListCodes(int variable, const google::protobuf::RepeatedPtrField<std::string>& codes,
                 FactRule* compiled) const {
    if (c_.variable(variable).has_country()) {
      compiled->countries.assign(codes.begin(), codes.end());
      return;
    }
    const auto& handles = c_.variables_[static_cast<size_t>(variable)].codes;
    compiled->options.assign(handles.size(), false);
    for (const std::string& code : codes) {
      compiled->options[static_cast<size_t>(Find(handles, code))] = true;
    }
  }

  void AddRequiredWhen(int rule, const study::v1::RequiredWhen& required) {
    FactRule* compiled = NewFactRule(rule, required.variable());
    const study::v1::Condition& condition = required.condition();
    compiled->condition_variable = c_.FindVariable(condition.variable());
    if (condition.has_any_of()) {
      ListCodes(compiled->condition_variable, condition.any_of().codes(), compiled);
    } else if (condition.test_case() == study::v1::Condition::kYesNo) {
      compiled->min = compiled->max = condition.yes_no() ? 1 : 0;
    } else {
      compiled->min = condition.at_least();
    }
  }

  void AddRule(int handle, const Rule& rule) {
    switch (rule.kind_case()) {
      case Rule::kWithinDays:
        c_.within_days_.push_back({handle, MomentOf(rule.within_days().a()),
                                   MomentOf(rule.within_days().b()),
                                   rule.within_days().max_days()});
        return;
      case Rule::kNotBefore:
        c_.not_before_.push_back(
            {handle, MomentOf(rule.not_before().a()), MomentOf(rule.not_before().b())});
        return;
      case Rule::kSameAcrossArms:
        c_.same_across_arms_.push_back(
            {handle, c_.FindVariable(rule.same_across_arms().variable())});
        return;
      case Rule::kOneOf: {
        FactRule* compiled = NewFactRule(handle, rule.one_of().variable());
        return ListCodes(compiled->variable, rule.one_of().codes(), compiled);
      }
      case Rule::kNotOnly: {
        FactRule* compiled = NewFactRule(handle, rule.not_only().variable());
        return ListCodes(compiled->variable, rule.not_only().codes(), compiled);
      }
      case Rule::kRange: {
        FactRule* compiled = NewFactRule(handle, rule.range().variable());
        if (rule.range().has_min()) compiled->min = rule.range().min();
        if (rule.range().has_max()) compiled->max = rule.range().max();
        return;
      }
      case Rule::kMonotone:
        c_.monotone_.push_back({handle, c_.FindVariable(rule.monotone().variable()),
                                rule.monotone().tolerated_drop()});
        return;
      case Rule::kLookInterval:
        c_.look_interval_.push_back({handle, rule.look_interval().max_days()});
        c_.longest_look_interval_ =
            std::max(c_.longest_look_interval_.value_or(0), rule.look_interval().max_days());
        return;
      case Rule::kRequiredWhen:
        return AddRequiredWhen(handle, rule.required_when());
      case Rule::kUniqueInStudy:
        c_.unique_.push_back({handle, c_.FindVariable(rule.unique_in_study().variable())});
        return;
      case Rule::KIND_NOT_SET:
        return;
    }
  }

  CompiledProtocol& c_;
};

absl::StatusOr<std::shared_ptr<const CompiledProtocol>> Compile(study::v1::Protocol definition,
                                                                int revision) {
  const std::vector<study::v1::Problem> problems = Check(definition);
  if (!CanBePublished(problems)) {
    std::vector<FieldViolation> violations;
    for (const study::v1::Problem& problem : problems) {
      if (problem.advice()) continue;
      violations.push_back(
          {problem.path(), problem.reason(), absl::StrCat(problem.what(), "; ", problem.remedy())});
    }
    const std::string message = absl::StrCat(
        "the protocol has ", violations.size(), violations.size() == 1 ? " problem" : " problems",
        ", the first at ", violations[0].field, ": ", violations[0].description);
    return ReasonedError(absl::StatusCode::kInvalidArgument, "protocol_has_problems", message,
                         std::move(violations));
  }
  std::shared_ptr<CompiledProtocol> compiled(new CompiledProtocol);
  compiled->definition_ = std::move(definition);
  compiled->revision_ = revision;
  CompiledProtocol::Compiler(compiled.get()).Run();
  return compiled;
}

int CompiledProtocol::FindArm(absl::string_view id) const { return Find(arms_, id); }
int CompiledProtocol::FindVariable(absl::string_view id) const {
  return Find(variable_handles_, id);
}
int CompiledProtocol::FindThreshold(absl::string_view id) const {
  return Find(threshold_handles_, id);
}
int CompiledProtocol::FindLoss(absl::string_view id) const { return Find(losses_, id); }

int CompiledProtocol::ThresholdVariable(int threshold) const {
  return thresholds_[static_cast<size_t>(threshold)].variable;
}

bool CompiledProtocol::AppliesToArm(int threshold, int arm) const {
  return thresholds_[static_cast<size_t>(threshold)].arms[static_cast<size_t>(arm)];
}

bool CompiledProtocol::Meets(int threshold, const CanonicalValue& value) const {
  const CompiledThreshold& compiled = thresholds_[static_cast<size_t>(threshold)];
  const double position = Position(value);
  switch (compiled.comparison) {
    case study::v1::COMPARISON_AT_LEAST:
      return position >= compiled.target;
    case study::v1::COMPARISON_ABOVE:
      return position > compiled.target;
    case study::v1::COMPARISON_AT_MOST:
      return position <= compiled.target;
    case study::v1::COMPARISON_BELOW:
      return position < compiled.target;
    default:
      return false;
  }
}

intake::v1::Finding CompiledProtocol::BrokenRule(int rule_handle,
                                                 absl::string_view happened) const {
  const Rule& broken = rule(rule_handle);
  intake::v1::Finding finding;
  finding.set_rule(broken.id());
  happened = absl::StripSuffix(happened, ".");
  finding.set_message(absl::StrCat(happened, ". ", broken.words().text()));
  finding.set_leaves_primary_set(broken.leaves_primary_set());
  return finding;
}

namespace {

std::string DescribeChoice(const study::v1::ChoiceType& choice, const ChosenCodes& chosen) {
  std::vector<std::string> words;
  for (const int option : chosen.options) {
    const std::string& label = choice.options(option).label().text();
    words.push_back(label.empty() ? choice.options(option).code() : label);
  }
  if (!chosen.other.empty()) words.push_back(Quote(chosen.other));
  return absl::StrJoin(words, ", ");
}

}  // namespace

std::string CompiledProtocol::Describe(int variable_handle, const CanonicalValue& value) const {
  const Variable& described = variable(variable_handle);
  if (const auto* number = std::get_if<double>(&value)) {
    const std::string& unit = described.number().unit();
    return absl::StrFormat("%.15g%s%s", *number, unit == "1" ? "" : " ", unit == "1" ? "" : unit);
  }
  if (const auto* count = std::get_if<std::int64_t>(&value)) return absl::StrCat(*count);
  if (const auto* day = std::get_if<absl::CivilDay>(&value)) return SpellDate(*day);
  if (const auto* yes = std::get_if<bool>(&value)) return *yes ? "yes" : "no";
  if (const auto* chosen = std::get_if<ChosenCodes>(&value)) {
    return DescribeChoice(described.choice(), *chosen);
  }
  const std::string& text = std::get<std::string>(value);
  if (described.has_country()) return std::string(CountryName(text));
  return Quote(text);
}

}  // namespace plumule::protocol
