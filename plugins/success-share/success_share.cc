#include "plugins/success-share/success_share.h"

#include <algorithm>

#include "absl/strings/str_cat.h"
#include "plugins/sdk/protocol_checks.h"
#include "plugins/success-share/parts.h"

namespace plumule::success_share {
namespace {

// Why arms can't be compared at all; warns and says so. False where they can.
bool NothingToCompare(const Question& question, sdk::ResultBuilder& builder) {
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
  } else {
    return false;
  }
  builder.Warn(reason, words);
  builder.Say("$0", {words});
  return true;
}

void WarnOfCounts(const Question& question, sdk::ResultBuilder& builder) {
  std::int64_t successes = 0;
  std::int64_t failures = 0;
  for (std::size_t arm = 0; arm < question.counts.size(); ++arm) {
    successes += question.counts[arm].successes;
    failures += question.counts[arm].failures;
    if (question.layout.units[arm] > 0) continue;
    builder.Warn("no_units_in_arm", absl::StrCat(question.Quoted(static_cast<int>(arm)), " has no ",
                                                 question.noun.plural, " in this analysis."));
  }
  if (successes + failures == 0) return;
  if (successes == 0) {
    builder.Warn("no_successes",
                 absl::StrCat("No ", question.noun.singular,
                              " made it in any arm. The intervals show how large a difference "
                              "could still hide behind that."));
  }
  if (failures == 0) {
    builder.Warn("all_succeeded",
                 absl::StrCat("Every ", question.noun.singular,
                              " whose outcome is known made it. The intervals show how large a "
                              "difference could still hide behind that."));
  }
}

analysis::v1::ResultStatus StatusOf(const std::vector<ShareDifference>& primary) {
  const auto has_value = [](const ShareDifference& one) { return one.value.has_value(); };
  if (std::all_of(primary.begin(), primary.end(), has_value)) {
    return analysis::v1::RESULT_STATUS_ANSWERED;
  }
  return std::any_of(primary.begin(), primary.end(), has_value)
             ? analysis::v1::RESULT_STATUS_PARTLY
             : analysis::v1::RESULT_STATUS_CANNOT_ANSWER;
}

}  // namespace

absl::StatusOr<analysis::v1::Result> Analyze(const plugin::v1::Manifest& manifest,
                                             const sdk::AnalysisInput& input,
                                             const sdk::Progress& progress) {
  auto asked = sdk::AskThresholdQuestion(manifest, input, "%");
  if (!asked.ok()) return asked.status();
  Question question{*std::move(asked), {}, {}, {}};
  question.by_day = question.parameters.Number("by_day");
  question.success = Judge(question.analyzed, question.by_day);
  question.counts = CountArms(question.analyzed, question.success);

  sdk::ResultBuilder builder;
  sdk::AddFlow(input.setup.counts(), question.all, question.analyzed, builder);
  AddMethod(question, input.setup.protocol(), builder);
  if (NothingToCompare(question, builder)) {
    auto shares = AddShares(question, builder);
    if (!shares.ok()) return shares.status();
    AddFigures(question, *shares, {}, builder);
    return builder.Finish(analysis::v1::RESULT_STATUS_CANNOT_ANSWER);
  }
  WarnOfCounts(question, builder);

  progress(0.2, "comparing shares");
  auto primary = CompareShares(question, builder);
  if (!primary.ok()) return primary.status();
  auto shares = AddShares(question, builder);
  if (!shares.ok()) return shares.status();
  if (auto status = AddTests(question, builder); !status.ok()) return status;
  if (auto status = AddPoolable(question, builder); !status.ok()) return status;

  progress(0.6, "looking at other assumptions and subgroups");
  auto bounds = AddBounds(question, builder);
  if (!bounds.ok()) return bounds.status();
  auto other_set = AddOtherSet(question, builder);
  if (!other_set.ok()) return other_set.status();
  auto subgroups = AddSubgroups(question, input, builder);
  if (!subgroups.ok()) return subgroups.status();

  std::vector<ShareDifference> drawn = *primary;
  drawn.insert(drawn.end(), bounds->begin(), bounds->end());
  drawn.insert(drawn.end(), other_set->begin(), other_set->end());
  drawn.insert(drawn.end(), subgroups->begin(), subgroups->end());
  AddFigures(question, *shares, drawn, builder);
  SayFindings(question, *shares, *primary, *bounds, builder);
  progress(1, "done");
  return builder.Finish(StatusOf(*primary));
}

std::vector<study::v1::Problem> CheckProtocol(const study::v1::Protocol& protocol,
                                              const study::v1::Analysis& analysis) {
  return sdk::CheckThresholdAnalysis(protocol, analysis, "%");
}

}  // namespace plumule::success_share
