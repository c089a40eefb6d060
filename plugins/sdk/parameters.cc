#include "plugins/sdk/parameters.h"

#include <cmath>
#include <set>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "plugins/sdk/words.h"

namespace plumule::sdk {
namespace {

using plugin::v1::Manifest;
using plugin::v1::ParameterSpec;
using study::v1::Value;
using study::v1::Variable;

const ParameterSpec* FindSpec(const ParameterSpecs& specs, absl::string_view name) {
  for (const ParameterSpec& spec : specs) {
    if (spec.variable().id() == name) return &spec;
  }
  return nullptr;
}

std::string NumberProblem(const study::v1::NumberType& type, const Value& value) {
  if (!value.has_number()) return "needs a number";
  const double number = value.number().value();
  const std::string& unit = value.number().unit();
  if (!std::isfinite(number)) return "is not a finite number";
  if (!unit.empty() && unit != type.unit()) {
    return absl::StrCat("is in \"", unit, "\"; give it in \"", type.unit(), "\"");
  }
  if (type.has_hard_min() && number < type.hard_min()) {
    return absl::StrCat("is ", number, "; the least allowed is ", type.hard_min());
  }
  if (type.has_hard_max() && number > type.hard_max()) {
    return absl::StrCat("is ", number, "; the most allowed is ", type.hard_max());
  }
  return "";
}

std::string CountProblem(const study::v1::CountType& type, const Value& value) {
  if (!value.has_count()) return "needs a whole number";
  if (value.count() < 0) return "is negative";
  if (type.has_hard_max() && value.count() > type.hard_max()) {
    return absl::StrCat("is ", value.count(), "; the most allowed is ", type.hard_max());
  }
  return "";
}

std::string ChoiceProblem(const study::v1::ChoiceType& type, const Value& value) {
  std::vector<std::string> codes;
  for (const auto& option : type.options()) codes.push_back(option.code());
  const std::string choices = absl::StrJoin(codes, ", ");
  if (value.choice().codes_size() != 1) return absl::StrCat("needs one of: ", choices);
  const std::string& chosen = value.choice().codes(0);
  for (const std::string& code : codes) {
    if (code == chosen) return "";
  }
  return absl::StrCat("is \"", chosen, "\"; it must be one of: ", choices);
}

// Empty where the value fits.
std::string ValueProblem(const Variable& variable, const Value& value) {
  switch (variable.type_case()) {
    case Variable::kNumber:
      return NumberProblem(variable.number(), value);
    case Variable::kCount:
      return CountProblem(variable.count(), value);
    case Variable::kChoice:
      return ChoiceProblem(variable.choice(), value);
    case Variable::kYesNo:
      return value.kind_case() == Value::kYesNo ? "" : "needs yes or no";
    default:
      return "has a type that parameters can't have";
  }
}

std::string Declared(const ParameterSpecs& specs) {
  std::vector<std::string> ids;
  for (const ParameterSpec& spec : specs) ids.push_back(spec.variable().id());
  return ids.empty() ? "it has none" : absl::StrCat("it has ", ListOf(ids));
}

// `noun` is what one of `specs` is called: "parameter", "expectation".
std::vector<ParameterProblem> CheckAgainst(const ParameterSpecs& specs, absl::string_view noun,
                                           const std::string& plugin, const ParameterList& given) {
  std::vector<ParameterProblem> problems;
  std::set<std::string> seen;
  for (const study::v1::Parameter& parameter : given) {
    const ParameterSpec* spec = FindSpec(specs, parameter.name());
    if (spec == nullptr) {
      problems.push_back(
          {parameter.name(), absl::StrCat("is no ", noun, " of ", plugin, "; ", Declared(specs))});
      continue;
    }
    if (!seen.insert(parameter.name()).second) {
      problems.push_back({parameter.name(), "is given more than once"});
    }
    std::string what = ValueProblem(spec->variable(), parameter.value());
    if (!what.empty()) problems.push_back({parameter.name(), std::move(what)});
  }
  return problems;
}

absl::Status StatusOf(const std::vector<ParameterProblem>& problems, absl::string_view noun) {
  if (problems.empty()) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrJoin(problems, "\n", [noun](std::string* out, const ParameterProblem& problem) {
        absl::StrAppend(out, noun, " ", problem.parameter, ": ", problem.what);
      }));
}

}  // namespace

std::vector<ParameterProblem> CheckParameters(const Manifest& manifest,
                                              const ParameterList& given) {
  return CheckAgainst(manifest.parameters(), "parameter", manifest.id(), given);
}

absl::StatusOr<Parameters> Parameters::Make(const Manifest& manifest, const ParameterList& given) {
  const auto problems = CheckParameters(manifest, given);
  if (auto status = StatusOf(problems, "parameter"); !status.ok()) return status;
  return Collect(manifest.parameters(), given);
}

absl::StatusOr<Parameters> Parameters::MakeExpectations(const Manifest& manifest,
                                                        const ParameterList& given) {
  constexpr absl::string_view kNoun = "expectation";
  const auto problems = CheckAgainst(manifest.expectations(), kNoun, manifest.id(), given);
  if (auto status = StatusOf(problems, kNoun); !status.ok()) return status;
  return Collect(manifest.expectations(), given);
}

Parameters Parameters::Collect(const ParameterSpecs& specs, const ParameterList& given) {
  Parameters parameters;
  for (const ParameterSpec& spec : specs) {
    if (spec.has_default_value()) {
      parameters.values_[spec.variable().id()] = spec.default_value();
    }
  }
  for (const auto& parameter : given) parameters.values_[parameter.name()] = parameter.value();
  return parameters;
}

const Value* Parameters::Find(absl::string_view name) const {
  const auto found = values_.find(name);
  return found == values_.end() ? nullptr : &found->second;
}

std::optional<double> Parameters::Number(absl::string_view name) const {
  const Value* value = Find(name);
  if (value == nullptr || !value->has_number()) return std::nullopt;
  return value->number().value();
}

std::optional<std::int64_t> Parameters::Count(absl::string_view name) const {
  const Value* value = Find(name);
  if (value == nullptr || !value->has_count()) return std::nullopt;
  return value->count();
}

std::optional<bool> Parameters::YesNo(absl::string_view name) const {
  const Value* value = Find(name);
  if (value == nullptr || value->kind_case() != Value::kYesNo) return std::nullopt;
  return value->yes_no();
}

std::string Parameters::Choice(absl::string_view name) const {
  const Value* value = Find(name);
  if (value == nullptr || value->choice().codes_size() != 1) return "";
  return value->choice().codes(0);
}

}  // namespace plumule::sdk
