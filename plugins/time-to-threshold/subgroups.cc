#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plugins/sdk/judgement.h"
#include "plugins/stats/homogeneity.h"
#include "plugins/stats/multiplicity.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

// A level of a subgroup variable with its differences, in the order of the treatments.
struct Level {
  sdk::SubgroupLevel level;
  std::vector<Difference> differences;
};

// The words of p-values that are too small for three decimals name none.
constexpr double kLeastQuoted = 0.001;
// Below this an interaction is spoken of (common practice, no source).
constexpr double kSeemsToDepend = 0.05;

absl::StatusOr<Level> CompareWithin(const Question& question, sdk::SubgroupLevel level,
                                    sdk::ResultBuilder& builder) {
  const SurvivalRows rows(sdk::Subset(question.analyzed, level.keep), Timing::kFirstSeen);
  const DifferencePlan plan = {.method = "cluster_robust",
                               .set = question.set,
                               .subgroup = level.name,
                               .errors = stats::ErrorModel::kClusterRobust,
                               .standing = analysis::v1::STANDING_SECONDARY};
  auto differences = CompareMeans(question, rows, plan, builder);
  if (!differences.ok()) return differences.status();
  return Level{std::move(level), *std::move(differences)};
}

// Whether one treatment's difference is the same in all levels that show it with an error; absent
// where fewer than two do, from enough blocks. Levels may share blocks, so their errors are taken
// together.
absl::StatusOr<std::optional<stats::ChiSquareTest>> TestLevels(const Question& question,
                                                               const std::vector<Level>& levels,
                                                               std::size_t treatment) {
  const sdk::ThresholdOutcome& units = question.analyzed;
  std::vector<double> time;
  std::vector<std::uint8_t> event;
  std::vector<std::int32_t> arm;
  std::vector<std::int32_t> block;
  std::vector<stats::ArmPair> pairs;
  for (const Level& level : levels) {
    const Difference& difference = level.differences[treatment];
    const bool tells = difference.variance && difference.blocks >= sdk::kFewestBlocks;
    if (!tells || pairs.size() == stats::kMaxArms / 2) continue;
    const auto first = static_cast<std::int32_t>(2 * pairs.size());
    pairs.push_back({first + 1, first});
    for (std::size_t unit = 0; unit < units.units(); ++unit) {
      const bool treated = units.arm[unit] == difference.arm;
      if (level.level.keep[unit] == 0 || (!treated && units.arm[unit] != question.control())) {
        continue;
      }
      time.push_back(units.Day(unit));
      event.push_back(units.status[unit] == sdk::UnitStatus::kReached ? 1 : 0);
      arm.push_back(first + (treated ? 1 : 0));
      block.push_back(units.block[unit]);
    }
  }
  if (pairs.size() < 2) return std::optional<stats::ChiSquareTest>();
  const auto joint =
      stats::CompareRestrictedMeansJointly({.time = time,
                                            .event = event,
                                            .arm = arm,
                                            .block = block,
                                            .arms = 2 * static_cast<int>(pairs.size())},
                                           pairs, question.horizon);
  if (!joint.ok()) return joint.status();
  auto test = stats::TestHomogeneity(joint->difference, joint->covariance);
  if (!test.ok()) return test.status();
  return std::optional<stats::ChiSquareTest>(*std::move(test));
}

analysis::v1::Test Named(const Question& question, const Interaction& interaction,
                         absl::string_view method) {
  auto test = sdk::MakeTest(question, "interaction", method, interaction.arm,
                            analysis::v1::STANDING_SECONDARY);
  test.set_subgroup(interaction.variable);
  return test;
}

absl::Status AddInteractions(const Question& question, const std::string& variable,
                             const std::vector<Level>& levels, std::vector<Interaction>& found,
                             sdk::ResultBuilder& builder) {
  for (std::size_t i = 0; i < question.treatments.size(); ++i) {
    const auto tested = TestLevels(question, levels, i);
    if (!tested.ok()) return tested.status();
    if (!*tested || !(*tested)->p_value) continue;
    Interaction interaction = {.variable = variable,
                               .arm = question.treatments[i],
                               .id = "",
                               .p_value = *(*tested)->p_value};
    auto test = Named(question, interaction, "chi_square");
    SetFigures(**tested, &test);
    interaction.id = builder.Add(std::move(test));
    found.push_back(std::move(interaction));
  }
  return absl::OkStatus();
}

// Several tests are one family.
void Correct(const Question& question, std::vector<Interaction>& found,
             sdk::ResultBuilder& builder) {
  if (found.size() < 2) return;
  std::vector<double> p_values;
  for (const Interaction& interaction : found) p_values.push_back(interaction.p_value);
  const auto adjusted = stats::BenjaminiHochbergAdjusted(p_values);
  for (std::size_t i = 0; i < found.size(); ++i) {
    auto test = Named(question, found[i], "chi_square_benjamini_hochberg");
    test.set_p_value(adjusted[i]);
    found[i].p_value = adjusted[i];
    found[i].id = builder.Add(std::move(test));
  }
  builder.Cite(
      "Benjamini Y, Hochberg Y (1995). Controlling the false discovery rate: a practical and "
      "powerful approach to multiple testing. Journal of the Royal Statistical Society B "
      "57:289-300",
      "10.1111/j.2517-6161.1995.tb02031.x", "several tests of interaction");
}

void SayInteraction(const Question& question, const Interaction& interaction,
                    sdk::ResultBuilder& builder) {
  const std::string arm = sdk::Escaped(question.Quoted(interaction.arm));
  const std::string variable = sdk::Escaped(sdk::Quoted(interaction.variable));
  const std::string lead =
      interaction.p_value < kSeemsToDepend
          ? absl::StrCat("How much sooner or later ", arm, " is seems to depend on ", variable)
          : absl::StrCat("These data do not show that it depends on ", variable,
                         " how much sooner or later ", arm, " is");
  const char* rest = interaction.p_value < kSeemsToDepend ? "; the figure shows each group."
                                                          : ", which small groups can hardly show.";
  if (interaction.p_value < kLeastQuoted) {
    builder.Say(absl::StrCat(lead, " (p below 0.001)", rest));
    return;
  }
  builder.Say(
      absl::StrCat(lead, " (p $0)", rest),
      {sdk::Number{
          .source = interaction.id, .field = analysis::v1::QUOTED_FIELD_P_VALUE, .decimals = 3}});
}

}  // namespace

absl::StatusOr<Subgroups> AddSubgroups(const Question& question, const sdk::AnalysisInput& input,
                                       sdk::ResultBuilder& builder) {
  Subgroups subgroups;
  for (const std::string& variable : input.setup.analysis().subgroup_variables()) {
    auto named = sdk::ReadSubgroups(question.analyzed, input.units, variable);
    if (!named.ok()) return named.status();
    std::vector<Level> levels;
    for (sdk::SubgroupLevel& one : *named) {
      auto level = CompareWithin(question, std::move(one), builder);
      if (!level.ok()) return level.status();
      for (Difference difference : level->differences) {
        absl::StrAppend(&difference.label, ", ", level->level.name);
        subgroups.differences.push_back(std::move(difference));
      }
      levels.push_back(*std::move(level));
    }
    auto status = AddInteractions(question, variable, levels, subgroups.interactions, builder);
    if (!status.ok()) return status;
  }
  Correct(question, subgroups.interactions, builder);
  return subgroups;
}

void SaySubgroups(const Question& question, const Subgroups& subgroups,
                  sdk::ResultBuilder& builder) {
  for (const Interaction& interaction : subgroups.interactions) {
    SayInteraction(question, interaction, builder);
  }
}

}  // namespace plumule::time_to_threshold
