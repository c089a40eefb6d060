// Checks of analyses.
#include <algorithm>
#include <cmath>

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "server/protocol/report.h"
#include "server/protocol/spelling.h"
#include "server/protocol/units.h"
#include "server/protocol/version_range.h"

namespace plumule::protocol {
namespace {

using study::v1::Analysis;
using study::v1::Variable;

constexpr size_t kMostAnalyses = 20;
constexpr int kMostParameters = 50;
constexpr int kMostSubgroups = 20;
constexpr size_t kLongestPlugin = 40;
constexpr size_t kDigestLength = 64;

void CheckPlugin(const std::string& path, const Analysis& analysis, Report* report) {
  const std::string& plugin = analysis.plugin();
  const auto is_plain = [](char c) {
    return absl::ascii_islower(static_cast<unsigned char>(c)) ||
           absl::ascii_isdigit(static_cast<unsigned char>(c)) || c == '-';
  };
  if (plugin.empty()) {
    report->Add(At(path, "plugin"), "plugin_missing", "no plugin is named",
                "name one, such as \"time-to-threshold\"");
  } else if (plugin.size() > kLongestPlugin ||
             !std::all_of(plugin.begin(), plugin.end(), is_plain) ||
             !absl::ascii_islower(static_cast<unsigned char>(plugin[0]))) {
    report->Add(At(path, "plugin"), "plugin_malformed",
                absl::StrCat(Quote(plugin), " is not the id of a plugin"),
                "use lower-case letters, digits and hyphens, at most 40");
  }
  const absl::StatusOr<VersionRange> range = VersionRange::Parse(analysis.plugin_version());
  if (!range.ok()) {
    report->Add(At(path, "plugin_version"), "version_range_malformed",
                std::string(range.status().message()), "write \">=1.0.0 <2.0.0\" or the like");
  } else if (!range->CanBeSatisfied()) {
    report->Add(At(path, "plugin_version"), "version_range_empty",
                absl::StrCat("no version satisfies ", Quote(analysis.plugin_version())),
                "exchange the bounds");
  }
  const std::string& digest = analysis.plugin_digest();
  const auto is_hex = [](char c) {
    return absl::ascii_isdigit(static_cast<unsigned char>(c)) || (c >= 'a' && c <= 'f');
  };
  if (!digest.empty() &&
      (digest.size() != kDigestLength || !std::all_of(digest.begin(), digest.end(), is_hex))) {
    report->Add(At(path, "plugin_digest"), "digest_malformed",
                absl::StrCat(Quote(digest), " is not a SHA-256 in hexadecimal"),
                "copy the 64 lower-case digits, or leave it out for any");
  }
}

// The variable of a measured outcome; null if there is none or it is unfit.
const Variable* CheckOutcomeVariable(const DefinitionIndex& index, const std::string& path,
                                     const Analysis& analysis, Report* report) {
  const std::string here = At(path, "variable");
  const Variable* variable = CheckVariableReference(index, here, analysis.variable(), report);
  if (variable == nullptr) return nullptr;
  if (!variable->has_number() && !variable->has_count()) {
    report->Add(here, "variable_type_unfit",
                absl::StrCat(Quote(variable->id()), " is a ", TypeName(*variable)),
                "use a number or count, or a threshold for an event");
    return nullptr;
  }
  if (variable->scope() != study::v1::SCOPE_OBSERVATION &&
      variable->scope() != study::v1::SCOPE_UNIT) {
    report->Add(
        here, "variable_scope_unfit",
        absl::StrCat(Quote(variable->id()), " has the scope ", ScopeName(variable->scope())),
        "use a variable of unit or observation scope: arms differ between units");
    return nullptr;
  }
  if (index.IsHidden(variable->id())) {
    report->Add(here, "variable_hidden_from_analysis",
                absl::StrCat(Quote(variable->id()), " is for organizers only"),
                "let researchers see it in privacy, or use another variable");
  }
  return variable;
}

// True if `unit` measures the outcome of the analysis.
bool FitsOutcome(const std::string& unit, const Analysis& analysis, const Variable* variable) {
  if (!analysis.threshold().empty()) {
    return unit == "%" || FindUnit(unit)->dimension == Dimension::kTime;
  }
  if (variable == nullptr) return true;
  if (variable->has_count()) return unit == "{count}" || unit == "1";
  return ConversionBetween(unit, variable->number().unit()).ok() ||
         FindUnit(variable->number().unit()) == nullptr;
}

void CheckMargin(const std::string& path, const Analysis& analysis, const Variable* variable,
                 Report* report) {
  if (!analysis.has_margin()) return;
  const study::v1::Quantity& margin = analysis.margin();
  if (!std::isfinite(margin.value())) {
    report->Add(At(path, "value"), "not_finite", "the margin is infinite or not a number",
                "write a plain number");
  } else if (margin.value() <= 0) {
    report->Add(At(path, "value"), "margin_not_positive",
                absl::StrCat("a margin of ", margin.value()),
                "write the smallest difference that would matter to a grower");
  }
  if (!CheckUnit(At(path, "unit"), margin.unit(), report)) return;
  if (!FitsOutcome(margin.unit(), analysis, variable)) {
    report->Add(At(path, "unit"), "margin_unit_unfit",
                absl::StrCat(Quote(margin.unit()), " does not measure the outcome"),
                analysis.threshold().empty()
                    ? "use the variable's unit"
                    : "use \"d\" for times, \"%\" (percentage points) for shares");
  }
}

void CheckOutcomeOf(const DefinitionIndex& index, const std::string& path, const Analysis& analysis,
                    Report* report) {
  const Variable* variable = nullptr;
  if (analysis.threshold().empty() && analysis.variable().empty()) {
    report->Add(path, "outcome_missing", "there is neither threshold nor variable",
                "name the threshold for an event, the variable for a measurement");
  } else if (!analysis.threshold().empty() && !analysis.variable().empty()) {
    report->Add(path, "outcome_twice", "there are both a threshold and a variable",
                "keep one; make two analyses for both");
  } else if (!analysis.threshold().empty()) {
    CheckThresholdReference(index, At(path, "threshold"), analysis.threshold(), report);
  } else {
    variable = CheckOutcomeVariable(index, path, analysis, report);
  }
  CheckMargin(At(path, "margin"), analysis, variable, report);
}

void CheckParameters(const std::string& path, const Analysis& analysis, Report* report) {
  const std::string list = At(path, "parameters");
  const int count = CheckLength(list, analysis.parameters_size(), kMostParameters, report);
  absl::flat_hash_set<absl::string_view> seen;
  for (int i = 0; i < count; ++i) {
    const study::v1::Parameter& parameter = analysis.parameters(i);
    const std::string here = At(list, i);
    if (parameter.name().empty()) {
      report->Add(At(here, "name"), "parameter_name_missing", "the parameter has no name",
                  "write the name that the plugin's manifest declares");
    } else if (!seen.insert(parameter.name()).second) {
      report->Add(At(here, "name"), "parameter_duplicate",
                  absl::StrCat(Quote(parameter.name()), " stands here a second time"),
                  "give it once");
    }
    if (parameter.value().kind_case() == study::v1::Value::KIND_NOT_SET) {
      report->Add(At(here, "value"), "parameter_value_missing",
                  absl::StrCat(Quote(parameter.name()), " has no value"),
                  "write its value, or leave the parameter out");
    }
  }
}

void CheckSubgroup(const DefinitionIndex& index, const std::string& path, const Variable& variable,
                   Report* report) {
  if (variable.scope() == study::v1::SCOPE_OBSERVATION) {
    report->Add(path, "variable_scope_unfit",
                absl::StrCat(Quote(variable.id()), " has the scope observation"),
                "use a variable of grower, block or unit scope: what comes after the start may "
                "follow from the arm");
    return;
  }
  if (variable.has_text() || variable.has_photo() || variable.has_date() ||
      (variable.has_choice() && variable.choice().multiple())) {
    report->Add(path, "variable_type_unfit",
                absl::StrCat(Quote(variable.id()), " is a ",
                             variable.has_choice() ? "choice of several" : TypeName(variable)),
                "use a yes_no, choice of one, country, number or count");
    return;
  }
  if (index.IsHidden(variable.id())) {
    report->Add(path, "variable_hidden_from_analysis",
                absl::StrCat(Quote(variable.id()), " is for organizers only"),
                "let researchers see it in privacy, or use another variable");
  }
  if ((variable.has_number() || variable.has_count()) &&
      index.definition.block().max_blocks_per_grower() == 1) {
    report->Add(path, "subgroup_continuous",
                absl::StrCat(Quote(variable.id()), " is a ", TypeName(variable),
                             " and each grower has one block"),
                "ask it as a choice of a few ranges");
  }
}

void CheckSubgroups(const DefinitionIndex& index, const std::string& path, const Analysis& analysis,
                    Report* report) {
  const std::string list = At(path, "subgroup_variables");
  const int count = CheckLength(list, analysis.subgroup_variables_size(), kMostSubgroups, report);
  absl::flat_hash_set<absl::string_view> seen;
  for (int i = 0; i < count; ++i) {
    const std::string& id = analysis.subgroup_variables(i);
    const Variable* variable = CheckVariableReference(index, At(list, i), id, report);
    if (variable == nullptr) continue;
    if (!seen.insert(id).second) {
      report->Add(At(list, i), "reference_duplicate",
                  absl::StrCat(Quote(id), " stands here a second time"), "name it once");
      continue;
    }
    CheckSubgroup(index, At(list, i), *variable, report);
  }
}

void CheckConfidenceLevel(const std::string& path, double level, Report* report) {
  if (level == 0 || (level > 0.5 && level < 1)) return;
  if (level > 50 && level < 100) {
    report->Add(path, "confidence_level_percent", absl::StrCat(level, " is in per cent"),
                absl::StrCat("write ", level / 100));
  } else {
    report->Add(path, "confidence_level_out_of_range", absl::StrCat("a level of ", level),
                "write 0.95, or leave it out");
  }
}

void CheckAnalysis(const DefinitionIndex& index, const std::string& path, const Analysis& analysis,
                   Report* report) {
  const bool is_primary = analysis.role() == study::v1::ANALYSIS_ROLE_PRIMARY;
  if (!is_primary && analysis.role() != study::v1::ANALYSIS_ROLE_SECONDARY) {
    report->Add(At(path, "role"), "analysis_role_missing",
                "the analysis is neither primary nor secondary",
                "write ANALYSIS_ROLE_PRIMARY for the one that answers the question, "
                "ANALYSIS_ROLE_SECONDARY else");
  }
  CheckPlugin(path, analysis, report);
  CheckOutcomeOf(index, path, analysis, report);
  CheckParameters(path, analysis, report);
  if (!study::v1::AnalysisSet_IsValid(analysis.set())) {
    report->Add(At(path, "set"), "enum_unknown",
                absl::StrCat("there is no analysis set ", static_cast<int>(analysis.set())),
                "write ANALYSIS_SET_ALL_STARTED or ANALYSIS_SET_FOLLOWED_PROTOCOL");
  } else if (is_primary && analysis.set() == study::v1::ANALYSIS_SET_FOLLOWED_PROTOCOL) {
    report->Add(At(path, "set"), "primary_set_selective",
                "units that departed from the protocol are left out",
                "analyze all that were started, and those that followed as a secondary analysis");
  }
  CheckSubgroups(index, path, analysis, report);
  CheckConfidenceLevel(At(path, "confidence_level"), analysis.confidence_level(), report);
  if (is_primary && !analysis.has_margin() &&
      !index.definition.words().expected_better_arm().empty()) {
    report->Add(At(path, "margin"), "margin_missing", "there is no margin",
                "write the smallest difference that would matter to a grower, such as "
                "{ value: 3 unit: \"d\" }");
  }
}

}  // namespace

void CheckAnalyses(const DefinitionIndex& index, Report* report) {
  const auto& analyses = index.definition.analyses();
  std::vector<absl::string_view> ids;
  for (const auto& analysis : analyses) ids.push_back(analysis.id());
  const std::vector<std::string> paths =
      CheckIds("analyses", ids, kMostAnalyses, IdShape::kId, report);
  int primaries = 0;
  bool all_stated = true;
  for (size_t i = 0; i < paths.size(); ++i) {
    const Analysis& analysis = analyses[static_cast<int>(i)];
    CheckAnalysis(index, paths[i], analysis, report);
    all_stated &= study::v1::AnalysisRole_IsValid(analysis.role()) &&
                  analysis.role() != study::v1::ANALYSIS_ROLE_UNSPECIFIED;
    if (analysis.role() == study::v1::ANALYSIS_ROLE_PRIMARY && ++primaries > 1) {
      report->Add(At(paths[i], "role"), "primary_twice", "this is a second primary analysis",
                  "make it secondary: ANALYSIS_ROLE_SECONDARY");
    }
  }
  if (primaries == 0 && all_stated) {
    report->Add("analyses", "primary_missing", "no analysis is primary",
                "make the one that answers the question ANALYSIS_ROLE_PRIMARY");
  }
}

}  // namespace plumule::protocol
