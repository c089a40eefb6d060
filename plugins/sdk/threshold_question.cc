#include "plugins/sdk/threshold_question.h"

#include <map>
#include <utility>

#include "absl/status/status.h"
#include "absl/strings/str_cat.h"

namespace plumule::sdk {
namespace {

constexpr std::size_t kMaxLevels = 50;

absl::StatusOr<std::optional<double>> ReadMargin(const study::v1::Analysis& analysis,
                                                 absl::string_view unit) {
  if (!analysis.has_margin()) return std::optional<double>();
  if (!analysis.margin().unit().empty() && analysis.margin().unit() != unit) {
    return absl::InvalidArgumentError(absl::StrCat("the margin is in \"", analysis.margin().unit(),
                                                   "\"; this analysis needs \"", unit, "\""));
  }
  if (!(analysis.margin().value() > 0)) {
    return absl::InvalidArgumentError("the margin must be above 0");
  }
  return std::optional<double>(analysis.margin().value());
}

absl::StatusOr<double> ReadLevel(const study::v1::Analysis& analysis) {
  const double level = analysis.confidence_level() == 0 ? 0.95 : analysis.confidence_level();
  if (level > 0.5 && level < 1) return level;
  return absl::InvalidArgumentError("the confidence level must lie above 0.5 and below 1");
}

// The level of a row, empty where it is missing.
std::string LevelOf(const Column& column, std::size_t row) {
  if (column.present[row] == 0) return "";
  if (column.schema.type() == analysis::v1::COLUMN_TYPE_YES_NO) {
    return column.flags[row] != 0 ? "yes" : "no";
  }
  return column.dictionary[static_cast<std::size_t>(column.codes[row])];
}

}  // namespace

absl::StatusOr<ThresholdQuestion> AskThresholdQuestion(const plugin::v1::Manifest& manifest,
                                                       const AnalysisInput& input,
                                                       absl::string_view margin_unit) {
  const study::v1::Analysis& analysis = input.setup.analysis();
  auto parameters = Parameters::Make(manifest, analysis.parameters());
  if (!parameters.ok()) return parameters.status();
  auto margin = ReadMargin(analysis, margin_unit);
  if (!margin.ok()) return margin.status();
  auto level = ReadLevel(analysis);
  if (!level.ok()) return level.status();
  auto outcome = ReadThresholdOutcome(input);
  if (!outcome.ok()) return outcome.status();

  ThresholdQuestion question;
  question.parameters = *std::move(parameters);
  question.margin = *margin;
  question.level = *level;
  question.all = *std::move(outcome);
  const bool followers = analysis.set() == study::v1::ANALYSIS_SET_FOLLOWED_PROTOCOL;
  question.set = followers ? "followed_protocol" : "all_started";
  question.analyzed = followers ? Subset(question.all, question.all.in_primary) : question.all;
  question.layout = MeasureLayout(question.analyzed);
  question.noun = UnitNoun(input.setup.protocol());
  question.threshold_label = ThresholdLabel(input.setup.protocol(), question.all.threshold);
  for (std::size_t arm = 0; arm < question.analyzed.arms.size(); ++arm) {
    if (question.layout.units[arm] == 0) continue;
    if (static_cast<int>(arm) == question.control()) {
      question.control_has_units = true;
    } else {
      question.treatments.push_back(static_cast<int>(arm));
    }
  }
  return question;
}

absl::StatusOr<std::vector<SubgroupLevel>> ReadSubgroups(const ThresholdOutcome& analyzed,
                                                         const UnitTable& table,
                                                         const std::string& variable) {
  const auto refuse = [&variable](absl::string_view what) {
    return absl::InvalidArgumentError(absl::StrCat("subgroup variable ", variable, ": ", what));
  };
  const Column* column = table.Find(variable);
  if (column == nullptr) return refuse("the table has no such column");
  if (column->schema.type() != analysis::v1::COLUMN_TYPE_CODE &&
      column->schema.type() != analysis::v1::COLUMN_TYPE_YES_NO) {
    return refuse("its column holds neither codes nor yes and no");
  }
  std::map<std::string, std::vector<std::uint8_t>> members;
  for (std::size_t unit = 0; unit < analyzed.units(); ++unit) {
    const std::string level = LevelOf(*column, static_cast<std::size_t>(analyzed.row[unit]));
    if (level.empty()) continue;
    auto& keep = members[level];
    keep.resize(analyzed.units());
    keep[unit] = 1;
    if (members.size() > kMaxLevels) return refuse("it has more than 50 levels");
  }
  std::vector<SubgroupLevel> levels;
  for (auto& [level, keep] : members) {
    levels.push_back({absl::StrCat(variable, "=", level), std::move(keep)});
  }
  return levels;
}

analysis::v1::Estimate MakeEstimate(const ThresholdQuestion& question, absl::string_view measure,
                                    absl::string_view method, analysis::v1::Standing standing) {
  analysis::v1::Estimate estimate;
  estimate.set_measure(std::string(measure));
  estimate.set_method(std::string(method));
  estimate.set_standing(standing);
  estimate.set_level(question.level);
  estimate.set_analysis_set(question.set);
  return estimate;
}

analysis::v1::Test MakeTest(const ThresholdQuestion& question, absl::string_view name,
                            absl::string_view method, int arm, analysis::v1::Standing standing) {
  analysis::v1::Test test;
  test.set_name(std::string(name));
  test.set_method(std::string(method));
  if (arm >= 0) {
    test.set_arm(question.arm(arm).id);
    test.set_against(question.arm(question.control()).id);
  }
  test.set_analysis_set(question.set);
  test.set_standing(standing);
  return test;
}

std::string Escaped(absl::string_view words) {
  std::string escaped;
  for (const char c : words) {
    escaped += c;
    if (c == '$') escaped += c;
  }
  return escaped;
}

}  // namespace plumule::sdk
