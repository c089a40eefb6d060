// Checks of variables, thresholds and losses.
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/strip.h"
#include "server/protocol/civil_date.h"
#include "server/protocol/report.h"
#include "server/protocol/spelling.h"
#include "server/protocol/units.h"

namespace plumule::protocol {
namespace {

using study::v1::Threshold;
using study::v1::Variable;

constexpr size_t kMostVariables = 200;
constexpr size_t kMostThresholds = 20;
constexpr size_t kMostLosses = 50;
constexpr size_t kMostOptions = 200;
constexpr int kMostEntryUnits = 20;
constexpr int kMostDecimalPlaces = 6;
constexpr int kLongestAnswer = 5000;

constexpr std::array<absl::string_view, 7> kColumns = {"block",  "unit",  "arm",       "dose",
                                                       "grower", "study", "in_primary"};

// Variables become columns; so must not take the names of others.
void CheckColumnName(const DefinitionIndex& index, const std::string& path, absl::string_view id,
                     Report* report) {
  if (std::find(kColumns.begin(), kColumns.end(), id) != kColumns.end()) {
    report->Add(At(path, "id"), "id_reserved",
                absl::StrCat("every dataset has a column ", Quote(id)),
                absl::StrCat("call it ", Quote(absl::StrCat(id, "_of_grower")), " or the like"));
    return;
  }
  for (const absl::string_view suffix : {"_lower", "_upper", "_status"}) {
    absl::string_view stem = id;
    if (absl::ConsumeSuffix(&stem, suffix) && index.FindThreshold(stem) != nullptr) {
      report->Add(
          At(path, "id"), "id_reserved",
          absl::StrCat("datasets have a column ", Quote(id), " for the threshold ", Quote(stem)),
          "rename the variable or the threshold");
    }
  }
}

// Checks that the limits that are given are numbers and in order; false if they are not.
bool CheckLimits(const std::string& path, absl::string_view prefix, bool has_min, double min,
                 bool has_max, double max, ReasonRow inverted, Report* report) {
  bool good = true;
  const auto check_finite = [&](bool has, double limit, absl::string_view end) {
    if (has && !std::isfinite(limit)) {
      report->Add(At(path, absl::StrCat(prefix, end)), "not_finite",
                  "the limit is infinite or not a number", "write a plain number, or leave it out");
      good = false;
    }
  };
  check_finite(has_min, min, "_min");
  check_finite(has_max, max, "_max");
  if (good && has_min && has_max && max < min) {
    report->Add(At(path, absl::StrCat(prefix, "_max")), inverted,
                absl::StrCat(prefix, "_max ", max, " is below ", prefix, "_min ", min),
                "exchange the two");
    good = false;
  }
  return good;
}

void CheckEntryUnits(const std::string& path, const study::v1::NumberType& number, Report* report) {
  const std::string list = At(path, "entry_units");
  const int count = CheckLength(list, number.entry_units_size(), kMostEntryUnits, report);
  absl::flat_hash_set<absl::string_view> seen;
  seen.insert(number.unit());
  bool in_volume = false, in_mass = false;
  for (int i = 0; i < count; ++i) {
    const std::string& unit = number.entry_units(i);
    const std::string here = At(list, i);
    if (!CheckUnit(here, unit, report)) continue;
    if (!seen.insert(unit).second) {
      report->Add(here, "reference_duplicate", absl::StrCat(Quote(unit), " is already accepted"),
                  "leave it out");
      continue;
    }
    if (FindUnit(number.unit()) == nullptr) continue;
    const absl::StatusOr<Conversion> conversion = ConversionBetween(unit, number.unit());
    if (!conversion.ok()) {
      report->Add(here, "units_differ", absl::StrCat(unit, " does not convert to ", number.unit()),
                  std::string(conversion.status().message()));
      continue;
    }
    in_volume |= FindUnit(unit)->dimension == Dimension::kMassConcentration;
    in_mass |= FindUnit(unit)->dimension == Dimension::kMassFraction;
  }
  if (in_volume && in_mass && number.unit() == "[ppm]") {
    report->Add(list, "entry_units_ambiguous", "both mass in volume and mass in mass are accepted",
                "make mg/L canonical for solutions or mg/kg for powders");
  }
}

void CheckNumber(const std::string& path, const study::v1::NumberType& number, Report* report) {
  CheckUnit(At(path, "unit"), number.unit(), report);
  const bool hard_good =
      CheckLimits(path, "hard", number.has_hard_min(), number.hard_min(), number.has_hard_max(),
                  number.hard_max(), "hard_range_inverted", report);
  const bool plausible_good = CheckLimits(
      path, "plausible", number.has_plausible_min(), number.plausible_min(),
      number.has_plausible_max(), number.plausible_max(), "plausible_range_inverted", report);
  if (hard_good && plausible_good) {
    constexpr double kInfinity = std::numeric_limits<double>::infinity();
    const double min = number.has_hard_min() ? number.hard_min() : -kInfinity;
    const double max = number.has_hard_max() ? number.hard_max() : kInfinity;
    const auto check_inside = [&](bool has, double limit, absl::string_view field) {
      if (has && (limit < min || limit > max)) {
        report->Add(At(path, field), "plausible_outside_hard",
                    absl::StrCat(limit, " lies outside ", min, " to ", max),
                    "narrow it, or widen the hard range");
      }
    };
    check_inside(number.has_plausible_min(), number.plausible_min(), "plausible_min");
    check_inside(number.has_plausible_max(), number.plausible_max(), "plausible_max");
  }
  if (!number.has_hard_min() || !number.has_hard_max()) {
    report->Add(At(path, number.has_hard_min() ? "hard_max" : "hard_min"), "hard_range_missing",
                "there is no hard limit",
                "give the limit beyond which an answer must be a mistake");
  }
  if (number.decimal_places() < 0 || number.decimal_places() > kMostDecimalPlaces) {
    report->Add(At(path, "decimal_places"), "decimal_places_out_of_range",
                absl::StrCat(number.decimal_places(), " places"),
                absl::StrCat("write 0 to ", kMostDecimalPlaces));
  }
  CheckEntryUnits(path, number, report);
}

void CheckCount(const std::string& path, const study::v1::CountType& count, Report* report) {
  const auto check_positive = [&](bool has, std::int64_t limit, absl::string_view field) {
    if (has && limit < 0) {
      report->Add(At(path, field), "count_limit_negative", absl::StrCat("at most ", limit),
                  "give 0 or more");
    }
    return !has || limit >= 0;
  };
  const bool good =
      check_positive(count.has_hard_max(), count.hard_max(), "hard_max") &
      check_positive(count.has_plausible_max(), count.plausible_max(), "plausible_max");
  if (good && count.has_hard_max() && count.has_plausible_max() &&
      count.plausible_max() > count.hard_max()) {
    report->Add(At(path, "plausible_max"), "plausible_outside_hard",
                absl::StrCat(count.plausible_max(), " is above ", count.hard_max()),
                "narrow it, or widen the hard range");
  }
  if (!count.has_hard_max()) {
    report->Add(At(path, "hard_max"), "hard_range_missing", "there is no hard limit",
                "give the count beyond which an answer must be a mistake");
  }
}

void CheckDateType(const std::string& path, const study::v1::DateType& date, Report* report) {
  absl::optional<absl::CivilDay> earliest, latest;
  if (!date.earliest().empty()) {
    earliest = CheckDate(At(path, "earliest"), date.earliest(), report);
  }
  if (!date.latest().empty()) latest = CheckDate(At(path, "latest"), date.latest(), report);
  if (earliest && latest && *latest < *earliest) {
    report->Add(At(path, "latest"), "date_limits_inverted",
                absl::StrCat("latest ", SpellDate(*latest), ", earliest ", SpellDate(*earliest)),
                "exchange the two");
  }
}

void CheckChoice(const DefinitionIndex& index, const std::string& path,
                 const study::v1::ChoiceType& choice, Report* report) {
  const std::string list = At(path, "options");
  const int fewest = choice.allow_other() ? 1 : 2;
  if (choice.options_size() < fewest) {
    report->Add(list, "options_too_few",
                absl::StrCat(choice.options_size(), " options, at least ", fewest, " are needed"),
                "add options, or ask with yes_no or text");
  }
  std::vector<absl::string_view> codes;
  for (const auto& option : choice.options()) codes.push_back(option.code());
  const std::vector<std::string> paths =
      CheckIds(list, codes, kMostOptions, IdShape::kCode, report);
  absl::flat_hash_set<absl::string_view> labels;
  for (size_t i = 0; i < paths.size(); ++i) {
    const study::v1::LocalizedText& label = choice.options(static_cast<int>(i)).label();
    const std::string here = At(paths[i], "label");
    CheckText(index, here, label, Words::kOptional, report);
    if (label.text().empty() && label.translations().empty()) {
      report->Add(here, "option_label_missing", "the option has no label",
                  "write what growers should read");
    } else if (!label.text().empty() && !labels.insert(label.text()).second) {
      report->Add(here, "label_duplicate",
                  absl::StrCat("another option is called ", Quote(label.text()), " too"),
                  "give it a label of its own");
    }
  }
}

void CheckType(const DefinitionIndex& index, const std::string& path, const Variable& variable,
               Report* report) {
  switch (variable.type_case()) {
    case Variable::kNumber:
      return CheckNumber(At(path, "number"), variable.number(), report);
    case Variable::kCount:
      return CheckCount(At(path, "count"), variable.count(), report);
    case Variable::kDate:
      return CheckDateType(At(path, "date"), variable.date(), report);
    case Variable::kChoice:
      return CheckChoice(index, At(path, "choice"), variable.choice(), report);
    case Variable::kText:
      if (variable.text().max_length() < 1 || variable.text().max_length() > kLongestAnswer) {
        report->Add(At(path, "text.max_length"), "text_length_out_of_range",
                    absl::StrCat(variable.text().max_length(), " characters"),
                    absl::StrCat("write 1 to ", kLongestAnswer));
      }
      return;
    case Variable::kPhoto:
      if (variable.scope() == study::v1::SCOPE_GROWER ||
          variable.scope() == study::v1::SCOPE_BLOCK) {
        report->Add(At(path, "scope"), "photo_of_grower",
                    absl::StrCat("a picture is asked for with the ", ScopeName(variable.scope())),
                    "ask for pictures of units: SCOPE_UNIT or SCOPE_OBSERVATION");
      }
      return;
    case Variable::kYesNo:
    case Variable::kCountry:
      return;
    case Variable::TYPE_NOT_SET:
      report->Add(path, "type_missing", "the variable has no type",
                  "write one of number, count, date, yes_no, choice, text, country, photo");
  }
}

// The range of answers as a line: for counts, yes_no and ordered choices too.
struct AnswerRange {
  double min = -std::numeric_limits<double>::infinity();
  double max = std::numeric_limits<double>::infinity();
};

AnswerRange RangeOf(const Variable& variable) {
  AnswerRange range;
  if (variable.has_number()) {
    if (variable.number().has_hard_min()) range.min = variable.number().hard_min();
    if (variable.number().has_hard_max()) range.max = variable.number().hard_max();
  } else if (variable.has_count()) {
    range.min = 0;
    if (variable.count().has_hard_max()) {
      range.max = static_cast<double>(variable.count().hard_max());
    }
  } else if (variable.has_choice()) {
    range = {0, static_cast<double>(variable.choice().options_size() - 1)};
  } else {
    range = {0, 1};
  }
  return range;
}

// The position of `target` on the line of answers; reports and is absent if it has none.
absl::optional<double> CheckTarget(const std::string& path, const Variable& variable,
                                   const study::v1::Value& target, Report* report) {
  const auto type_unfit = [&](absl::string_view example) {
    report->Add(path, "target_type_unfit",
                absl::StrCat("variable ", Quote(variable.id()), " is a ", TypeName(variable)),
                absl::StrCat("write target { ", example, " }"));
    return absl::nullopt;
  };
  if (variable.has_number()) {
    if (!target.has_number()) return type_unfit("number { value: 50 unit: \"mm\" }");
    return CheckQuantity(At(path, "number"), target.number(), variable.number().unit(), report);
  }
  if (variable.has_count()) {
    if (target.kind_case() != study::v1::Value::kCount) return type_unfit("count: 1");
    return static_cast<double>(target.count());
  }
  if (variable.has_yes_no()) {
    if (target.kind_case() != study::v1::Value::kYesNo) return type_unfit("yes_no: true");
    return target.yes_no() ? 1 : 0;
  }
  if (!target.has_choice()) return type_unfit("choice { codes: \"…\" }");
  if (target.choice().codes_size() != 1 || !target.choice().other().empty()) {
    report->Add(At(path, "choice"), "target_codes_not_one",
                absl::StrCat(target.choice().codes_size(), " codes"),
                "name the one code from which on the event has happened");
    return absl::nullopt;
  }
  if (!CheckCodes(At(path, "choice.codes"), variable, target.choice().codes(), report)) {
    return absl::nullopt;
  }
  int position = 0;
  while (variable.choice().options(position).code() != target.choice().codes(0)) ++position;
  return position;
}

void CheckReach(const std::string& path, const Threshold& threshold, const Variable& variable,
                double target, Report* report) {
  const AnswerRange range = RangeOf(variable);
  bool unreachable = false, always = false;
  switch (threshold.comparison()) {
    case study::v1::COMPARISON_AT_LEAST:
      unreachable = target > range.max;
      always = target <= range.min;
      break;
    case study::v1::COMPARISON_ABOVE:
      unreachable = target >= range.max;
      always = target < range.min;
      break;
    case study::v1::COMPARISON_AT_MOST:
      unreachable = target < range.min;
      always = target >= range.max;
      break;
    case study::v1::COMPARISON_BELOW:
      unreachable = target <= range.min;
      always = target > range.max;
      break;
    default:
      return;
  }
  if (unreachable) {
    report->Add(path, "target_unreachable",
                absl::StrCat("no answer to ", Quote(variable.id()), " that is taken meets it"),
                "give a target within the variable's hard range");
  } else if (always) {
    report->Add(path, "target_always_met",
                absl::StrCat("every answer to ", Quote(variable.id()), " meets it"),
                "give a target within the variable's hard range, or turn the comparison round");
  }
}

void CheckThresholdVariable(const DefinitionIndex& index, const std::string& path,
                            const Threshold& threshold, Report* report) {
  const Variable* variable =
      CheckVariableReference(index, At(path, "variable"), threshold.variable(), report);
  if (variable == nullptr) return;
  if (variable->scope() != study::v1::SCOPE_OBSERVATION) {
    report->Add(
        At(path, "variable"), "variable_scope_unfit",
        absl::StrCat(Quote(variable->id()), " has the scope ", ScopeName(variable->scope())),
        "use a variable of observation scope: thresholds are seen at looks");
    return;
  }
  const bool is_ordered = variable->has_choice() && variable->choice().ordered() &&
                          !variable->choice().multiple() && !variable->choice().allow_other();
  if (!variable->has_number() && !variable->has_count() && !variable->has_yes_no() && !is_ordered) {
    report->Add(At(path, "variable"), "variable_type_unfit",
                absl::StrCat(Quote(variable->id()), " is a ", TypeName(*variable)),
                "use a number, count, yes_no, or an ordered choice of one option without other");
    return;
  }
  if (index.IsHidden(threshold.variable())) {
    report->Add(At(path, "variable"), "variable_hidden_from_analysis",
                absl::StrCat(Quote(variable->id()), " is for organizers only"),
                "let researchers see it in privacy, or use another variable");
  }
  if (variable->has_yes_no() && threshold.comparison() != study::v1::COMPARISON_AT_LEAST &&
      study::v1::Comparison_IsValid(threshold.comparison()) &&
      threshold.comparison() != study::v1::COMPARISON_UNSPECIFIED) {
    report->Add(At(path, "comparison"), "comparison_unfit", "the variable is a yes_no",
                "write COMPARISON_AT_LEAST with target { yes_no: true }");
    return;
  }
  const std::string target_path = At(path, "target");
  if (threshold.target().kind_case() == study::v1::Value::KIND_NOT_SET) {
    report->Add(target_path, "target_missing", "there is no target", "write what is compared with");
    return;
  }
  const absl::optional<double> target =
      CheckTarget(target_path, *variable, threshold.target(), report);
  if (target) CheckReach(target_path, threshold, *variable, *target, report);
}

void CheckThresholdArms(const DefinitionIndex& index, const std::string& path,
                        const Threshold& threshold, Report* report) {
  constexpr int kMostArms = 12;
  const std::string list = At(path, "arms");
  const int count = CheckLength(list, threshold.arms_size(), kMostArms, report);
  absl::flat_hash_set<absl::string_view> seen;
  bool good = true;
  for (int i = 0; i < count; ++i) {
    const std::string& arm = threshold.arms(i);
    if (!index.HasArm(arm)) {
      report->Add(At(list, i), "arm_unknown", absl::StrCat("there is no arm ", Quote(arm)),
                  Suggest(arm, index.arm_ids, "declare the arms first"));
      good = false;
    } else if (!seen.insert(arm).second) {
      report->Add(At(list, i), "reference_duplicate",
                  absl::StrCat(Quote(arm), " stands here a second time"), "name it once");
      good = false;
    }
  }
  if (good && seen.size() == 1) {
    report->Add(list, "threshold_arms_too_few", "the threshold is for one arm only",
                "name at least two, or none for all");
  }
}

bool HasLookInterval(const study::v1::Protocol& definition) {
  return std::any_of(definition.rules().begin(), definition.rules().end(),
                     [](const auto& rule) { return rule.has_look_interval(); });
}

void CheckSource(const DefinitionIndex& index, const std::string& path, const Threshold& threshold,
                 Report* report) {
  const study::v1::CrossingSource source = threshold.source();
  if (!study::v1::CrossingSource_IsValid(source) ||
      source == study::v1::CROSSING_SOURCE_UNSPECIFIED) {
    report->Add(At(path, "source"), "crossing_source_missing",
                "where the day of crossing comes from, is not said",
                "write CROSSING_SOURCE_DERIVED, CROSSING_SOURCE_REPORTED or "
                "CROSSING_SOURCE_EITHER");
  } else if (source != study::v1::CROSSING_SOURCE_REPORTED && !HasLookInterval(index.definition)) {
    report->Add(At(path, "source"), "look_interval_missing",
                "the crossing lies between two looks, however far apart",
                "add a look_interval rule with the days that you ask growers to keep");
  }
}

// Ids of thresholds that analyses or rules use.
absl::flat_hash_set<absl::string_view> UsedThresholds(const study::v1::Protocol& definition) {
  absl::flat_hash_set<absl::string_view> used;
  for (const auto& analysis : definition.analyses()) used.insert(analysis.threshold());
  for (const auto& rule : definition.rules()) {
    used.insert(rule.within_days().a().threshold());
    used.insert(rule.within_days().b().threshold());
    used.insert(rule.not_before().a().threshold());
    used.insert(rule.not_before().b().threshold());
  }
  return used;
}

}  // namespace

void CheckVariables(const DefinitionIndex& index, Report* report) {
  const auto& variables = index.definition.variables();
  std::vector<absl::string_view> ids;
  for (const auto& variable : variables) ids.push_back(variable.id());
  const std::vector<std::string> paths =
      CheckIds("variables", ids, kMostVariables, IdShape::kId, report);
  for (size_t i = 0; i < paths.size(); ++i) {
    const Variable& variable = variables[static_cast<int>(i)];
    CheckColumnName(index, paths[i], variable.id(), report);
    CheckText(index, At(paths[i], "label"), variable.label(), Words::kRequired, report);
    CheckText(index, At(paths[i], "help"), variable.help(), Words::kOptional, report);
    if (!study::v1::Scope_IsValid(variable.scope()) ||
        variable.scope() == study::v1::SCOPE_UNSPECIFIED) {
      report->Add(At(paths[i], "scope"), "scope_missing", "what the answer belongs to, is not said",
                  "write SCOPE_GROWER, SCOPE_BLOCK, SCOPE_UNIT or SCOPE_OBSERVATION");
    }
    CheckType(index, paths[i], variable, report);
  }
}

void CheckThresholds(const DefinitionIndex& index, Report* report) {
  const auto& thresholds = index.definition.thresholds();
  std::vector<absl::string_view> ids;
  for (const auto& threshold : thresholds) ids.push_back(threshold.id());
  const std::vector<std::string> paths =
      CheckIds("thresholds", ids, kMostThresholds, IdShape::kId, report);
  const absl::flat_hash_set<absl::string_view> used = UsedThresholds(index.definition);
  for (size_t i = 0; i < paths.size(); ++i) {
    const Threshold& threshold = thresholds[static_cast<int>(i)];
    CheckText(index, At(paths[i], "label"), threshold.label(), Words::kRequired, report);
    if (!study::v1::Comparison_IsValid(threshold.comparison()) ||
        threshold.comparison() == study::v1::COMPARISON_UNSPECIFIED) {
      report->Add(At(paths[i], "comparison"), "comparison_missing", "how it compares, is not said",
                  "write COMPARISON_AT_LEAST, COMPARISON_ABOVE, COMPARISON_AT_MOST or "
                  "COMPARISON_BELOW");
    }
    CheckThresholdVariable(index, paths[i], threshold, report);
    CheckThresholdArms(index, paths[i], threshold, report);
    CheckSource(index, paths[i], threshold, report);
    if (!threshold.id().empty() && !used.contains(threshold.id())) {
      report->Add(paths[i], "threshold_unused", "no analysis and no rule uses it",
                  "analyze it, or leave it out");
    }
  }
}

void CheckLosses(const DefinitionIndex& index, Report* report) {
  const auto& losses = index.definition.losses();
  if (losses.empty()) {
    report->Add("losses", "losses_missing", "no cause of loss is declared",
                "declare at least one biological (rotted) and one incidental (broken)");
  }
  std::vector<absl::string_view> ids;
  for (const auto& loss : losses) ids.push_back(loss.id());
  const std::vector<std::string> paths = CheckIds("losses", ids, kMostLosses, IdShape::kId, report);
  for (size_t i = 0; i < paths.size(); ++i) {
    const study::v1::LossCause& loss = losses[static_cast<int>(i)];
    CheckText(index, At(paths[i], "label"), loss.label(), Words::kRequired, report);
    if (!study::v1::LossKind_IsValid(loss.kind()) ||
        loss.kind() == study::v1::LOSS_KIND_UNSPECIFIED) {
      report->Add(At(paths[i], "kind"), "loss_kind_missing",
                  "the loss is neither biological nor incidental",
                  "write LOSS_KIND_BIOLOGICAL if the treatment may have to do with it, "
                  "LOSS_KIND_INCIDENTAL else");
    }
  }
}

}  // namespace plumule::protocol
