#include "plugins/time-to-threshold/time_to_threshold.h"

#include <algorithm>
#include <iterator>

#include "absl/strings/str_cat.h"
#include "plugins/sdk/protocol_checks.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

using analysis::v1::Result;

// Why arms can't be compared at all; warns and says so. False where they can.
bool NothingToCompare(const Question& question, const SurvivalRows& rows,
                      sdk::ResultBuilder& builder) {
  std::string reason;
  std::string words;
  if (question.analyzed.units() == 0) {
    reason = "no_units";
    words = absl::StrCat("There are no ", question.noun.plural,
                         " to analyze, so nothing can be said yet.");
  } else if (!question.control_has_units || question.treatments.empty()) {
    reason = "one_arm_only";
    words = absl::StrCat(
        question.control_has_units ? absl::StrCat("Only ", question.Quoted(question.control()))
                                   : std::string("Only arms other than the control"),
        " has ", question.noun.plural, ", so there is nothing to compare with the control.");
  } else if (rows.events() == 0) {
    reason = "no_events";
    words = absl::StrCat("None of the ", question.analyzed.units(), " ", question.noun.plural,
                         " had reached the threshold when last seen, so nothing shows which arm is "
                         "sooner.");
  } else if (question.horizon <= 0) {
    reason = "no_follow_up";
    words = "Some arm was not followed beyond day 0, so days can't be compared.";
  } else {
    return false;
  }
  builder.Warn(reason, words);
  builder.Say("$0", {words});
  return true;
}

// What the arms' counts make impossible or doubtful.
void WarnOfEvents(const Question& question, const SurvivalRows& rows, sdk::ResultBuilder& builder) {
  for (std::size_t position = 0; position < question.analyzed.arms.size(); ++position) {
    const int arm = static_cast<int>(position);
    if (rows.units(arm) == 0) {
      builder.Warn("no_units_in_arm", absl::StrCat(question.Quoted(arm), " has no ",
                                                   question.noun.plural, " in this analysis."));
    } else if (rows.events(arm) == 0) {
      builder.Warn("no_events_in_arm",
                   absl::StrCat("No ", question.noun.singular, " with ", question.Quoted(arm),
                                " reached the threshold while it was followed. Days and shares are "
                                "compared all the same, ratios of hazards can't be."));
    }
  }
  double first = -1;
  bool all_on_one_day = true;
  for (std::size_t unit = 0; unit < question.analyzed.units(); ++unit) {
    if (question.analyzed.status[unit] != sdk::UnitStatus::kReached) continue;
    if (first < 0) first = question.analyzed.upper[unit];
    all_on_one_day = all_on_one_day && question.analyzed.upper[unit] == first;
  }
  if (rows.events() > 1 && all_on_one_day) {
    builder.Warn(
        "all_tied",
        absl::StrCat("All ", question.noun.plural,
                     " that reached the threshold were first seen to on day ", sdk::Short(first, 2),
                     ": looks were too far apart to show which arm is sooner. How many "
                     "reached it can still be compared."));
  }
}

analysis::v1::ResultStatus StatusOf(const std::vector<Difference>& primary) {
  const bool any_value = std::any_of(primary.begin(), primary.end(),
                                     [](const Difference& one) { return one.value.has_value(); });
  const bool all_intervals = std::all_of(primary.begin(), primary.end(), [](const Difference& one) {
    return one.lower.has_value() && one.upper.has_value();
  });
  if (!any_value) return analysis::v1::RESULT_STATUS_CANNOT_ANSWER;
  return all_intervals ? analysis::v1::RESULT_STATUS_ANSWERED : analysis::v1::RESULT_STATUS_PARTLY;
}

// Each arm by itself: all that is left where nothing can be compared.
absl::Status Describe(const Question& question, const std::vector<stats::KaplanMeierCurve>& curves,
                      sdk::ResultBuilder& builder, ArmDescriptions& arms) {
  auto described = DescribeArms(question, curves, builder);
  if (!described.ok()) return described.status();
  arms = *std::move(described);
  AddCurveTable(question, curves, builder);
  if (question.analyzed.units() > 0) AddReachedFigure(question, curves, builder);
  return absl::OkStatus();
}

absl::Status AddComparisons(const Question& question, const study::v1::Protocol& protocol,
                            const SurvivalRows& rows, sdk::ResultBuilder& builder) {
  if (auto status = AddHazardRatios(question, rows, builder); !status.ok()) return status;
  if (auto status = AddLogRankTests(question, rows, builder); !status.ok()) return status;
  if (auto status = AddWeightedTests(question, protocol, rows, builder); !status.ok())
    return status;
  if (auto status = CheckProportionalHazards(question, rows, builder); !status.ok()) return status;
  if (auto status = AddTimeRatios(question, rows, builder); !status.ok()) return status;
  return AddFirstInBlock(question, rows, builder);
}

}  // namespace

absl::StatusOr<Result> Analyze(const plugin::v1::Manifest& manifest,
                               const sdk::AnalysisInput& input, const sdk::Progress& progress) {
  sdk::ResultBuilder builder;
  auto asked = AskQuestion(manifest, input, builder);
  if (!asked.ok()) return asked.status();
  const Question& question = *asked;
  sdk::AddFlow(input.setup.counts(), question.all, question.analyzed, builder);
  AddMethod(question, input.setup.protocol(), builder);

  const SurvivalRows rows(question.analyzed, Timing::kFirstSeen);
  auto curves = stats::KaplanMeierByArm(rows.view());
  if (!curves.ok()) return curves.status();
  ArmDescriptions arms;
  if (NothingToCompare(question, rows, builder)) {
    if (auto status = Describe(question, *curves, builder, arms); !status.ok()) return status;
    return builder.Finish(analysis::v1::RESULT_STATUS_CANNOT_ANSWER);
  }
  WarnOfEvents(question, rows, builder);

  progress(0.1, "comparing days");
  const DifferencePlan plan = {.method = "cluster_robust",
                               .set = question.set,
                               .subgroup = "",
                               .errors = stats::ErrorModel::kClusterRobust,
                               .standing = analysis::v1::STANDING_PRIMARY,
                               .with_ratio = true};
  auto primary = CompareMeans(question, rows, plan, builder);
  if (!primary.ok()) return primary.status();
  AddDifferenceTests(question, *primary, builder);
  if (auto status = Describe(question, *curves, builder, arms); !status.ok()) return status;
  DifferencePlan independent = plan;
  independent.method = "kaplan_meier";
  independent.errors = stats::ErrorModel::kIndependent;
  independent.standing = analysis::v1::STANDING_SECONDARY;
  auto ignoring_blocks = CompareMeans(question, rows, independent, builder);
  if (!ignoring_blocks.ok()) return ignoring_blocks.status();

  progress(0.3, "comparing rates and blocks");
  if (auto status = AddSingleStep(question, rows, *primary, builder); !status.ok()) return status;
  if (auto status = AddRandomizationTests(question, input, rows, builder); !status.ok())
    return status;
  if (auto status = AddComparisons(question, input.setup.protocol(), rows, builder); !status.ok())
    return status;

  progress(0.7, "looking at other assumptions and subgroups");
  auto sensitivity = AddSensitivity(question, builder);
  if (!sensitivity.ok()) return sensitivity.status();
  if (auto status = AddLeaveOneBlockOut(question, rows, *primary, builder); !status.ok())
    return status;
  if (auto status = AddCompetingShares(question, builder); !status.ok()) return status;
  if (auto status = AddSharesBetweenLooks(question, builder); !status.ok()) return status;
  auto subgroups = AddSubgroups(question, input, builder);
  if (!subgroups.ok()) return subgroups.status();

  std::vector<Difference> drawn = *primary;
  drawn.insert(drawn.end(), sensitivity->differences.begin(), sensitivity->differences.end());
  drawn.insert(drawn.end(), subgroups->differences.begin(), subgroups->differences.end());
  AddDifferenceFigure(question, drawn, builder);
  AddWithinBlockFigure(question, builder);
  if (auto status = AddLookFigure(question, *curves, builder); !status.ok()) return status;
  SayFindings(question, *primary, arms, *sensitivity, builder);
  SaySubgroups(question, *subgroups, builder);
  progress(1, "done");
  return builder.Finish(StatusOf(*primary));
}

std::vector<study::v1::Problem> CheckProtocol(const study::v1::Protocol& protocol,
                                              const study::v1::Analysis& analysis) {
  return sdk::CheckThresholdAnalysis(protocol, analysis, "d");
}

}  // namespace plumule::time_to_threshold
