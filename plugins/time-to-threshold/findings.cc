#include <algorithm>
#include <cmath>

#include "absl/strings/str_cat.h"
#include "plugins/sdk/judgement.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

using sdk::Number;
using sdk::Slot;

constexpr std::size_t kMostArmsInWords = 6;

Number Days(const std::string& id, analysis::v1::QuotedField field) {
  return {.source = id, .field = field, .decimals = 1, .factor = 1, .absolute = true};
}

Number Hundredths(const std::string& id, analysis::v1::QuotedField field) {
  return {.source = id, .field = field, .decimals = 0, .factor = 100, .absolute = false};
}

// The horizon as a sentence quotes it: whole where it is whole.
Number Horizon(const Question& question, const std::string& id) {
  const bool whole = question.horizon == std::floor(question.horizon);
  return {.source = id,
          .field = analysis::v1::QUOTED_FIELD_AT,
          .decimals = whole ? 0 : 1,
          .factor = 1,
          .absolute = false};
}

// "$2 to $3 days sooner", "$3 days sooner to $2 days later": the interval with its signs as words.
// $1 is the value, $2 the limit nearer to sooner, $3 the other.
std::string IntervalTemplate(const Difference& difference) {
  if (*difference.upper <= 0) return "$3 to $2 days sooner";
  if (*difference.lower >= 0) return "$2 to $3 days later";
  return "from $2 days sooner to $3 days later";
}

std::string LeadTemplate(const Question& question, const Difference& difference) {
  const std::string arm = question.Quoted(difference.arm);
  const std::string control = question.Quoted(question.control());
  const sdk::JudgedInterval interval = {difference.lower, difference.upper, difference.blocks};
  switch (sdk::Judge(interval, question.margin)) {
    case sdk::Judgement::kLowerMatters:
      return absl::StrCat(arm, " was sooner than ", control, " by an amount that matters");
    case sdk::Judgement::kHigherMatters:
      return absl::StrCat(arm, " was later than ", control, " by an amount that matters");
    case sdk::Judgement::kNoneThatMatters:
      return absl::StrCat("No difference that matters between ", arm, " and ", control);
    case sdk::Judgement::kLower:
      return absl::StrCat(
          arm, " was sooner than ", control,
          question.margin ? ", but can't tell yet whether by an amount that matters" : "");
    case sdk::Judgement::kHigher:
      return absl::StrCat(
          arm, " was later than ", control,
          question.margin ? ", but can't tell yet whether by an amount that matters" : "");
    case sdk::Judgement::kCannotTell:
      break;
  }
  return absl::StrCat("Can't tell yet whether ", arm, " or ", control, " is sooner");
}

void SayDifference(const Question& question, const Difference& difference,
                   sdk::ResultBuilder& builder) {
  if (!difference.value) {
    builder.Say("$0 can't be compared with $1 from these data; the warnings say why.",
                {question.Quoted(difference.arm), question.Quoted(question.control())});
    return;
  }
  const std::string lead = sdk::Escaped(LeadTemplate(question, difference));
  const std::string direction = *difference.value < 0 ? "sooner" : "later";
  const Number value = Days(difference.id, analysis::v1::QUOTED_FIELD_VALUE);
  const Slot horizon = Horizon(question, difference.id);
  if (!difference.lower || !difference.upper) {
    builder.Say(absl::StrCat(lead, ": on average $1 days ", direction,
                             ", counted over the first $0 days, but no interval can be given for "
                             "that."),
                {horizon, value});
    return;
  }
  builder.Say(absl::StrCat(lead, ": on average $1 days ", direction, " (",
                           sdk::IntervalWords(question.level), " ", IntervalTemplate(difference),
                           "), counted over the first $0 days."),
              {horizon, value, Days(difference.id, analysis::v1::QUOTED_FIELD_LOWER),
               Days(difference.id, analysis::v1::QUOTED_FIELD_UPPER)});
}

void SayMargin(const Question& question, sdk::ResultBuilder& builder) {
  if (question.margin) {
    builder.Say(absl::StrCat("The protocol says that ", sdk::Short(*question.margin, 2),
                             " days or more would matter to a grower."));
  } else {
    builder.Say(
        "No margin of practical importance was declared, so nothing is said about whether "
        "the difference matters.");
  }
}

// "By day $0, $1 of 100 seeds with A and $2 with B had reached it (the shoot is 50 mm long)."
void SayReached(const Question& question, const ArmDescriptions& arms,
                sdk::ResultBuilder& builder) {
  std::vector<Slot> slots;
  std::vector<std::string> parts;
  for (std::size_t arm = 0; arm < arms.reached_by_horizon.size(); ++arm) {
    const std::string& id = arms.reached_by_horizon[arm];
    const auto* estimate = id.empty() ? nullptr : builder.Find(id);
    if (estimate == nullptr || !estimate->has_value()) continue;
    if (slots.empty()) slots.push_back(Horizon(question, id));
    const std::string noun =
        parts.empty() ? absl::StrCat(" of 100 ", question.noun.plural, " with ") : " with ";
    parts.push_back(absl::StrCat("$", slots.size(), noun,
                                 sdk::Escaped(question.Quoted(static_cast<int>(arm)))));
    slots.push_back(Hundredths(id, analysis::v1::QUOTED_FIELD_VALUE));
  }
  if (parts.empty()) return;
  builder.Say(absl::StrCat("By day $0, ", sdk::ListOf(parts), " had reached it (",
                           sdk::Escaped(question.threshold_label), ")."),
              slots);
}

void SayMedians(const Question& question, const ArmDescriptions& arms,
                sdk::ResultBuilder& builder) {
  std::vector<Slot> slots;
  std::vector<std::string> reached;
  std::vector<std::string> others;
  for (std::size_t arm = 0; arm < arms.median.size(); ++arm) {
    const auto* estimate = arms.median[arm].empty() ? nullptr : builder.Find(arms.median[arm]);
    if (estimate == nullptr) continue;
    const std::string label = sdk::Escaped(question.Quoted(static_cast<int>(arm)));
    if (!estimate->has_value()) {
      others.push_back(label);
      continue;
    }
    const bool whole = estimate->value() == std::floor(estimate->value());
    reached.push_back(absl::StrCat("day $", slots.size(), " with ", label));
    slots.push_back(Number{.source = arms.median[arm],
                           .field = analysis::v1::QUOTED_FIELD_VALUE,
                           .decimals = whole ? 0 : 1,
                           .factor = 1,
                           .absolute = false});
  }
  std::string text;
  if (!reached.empty()) {
    text = absl::StrCat("Half of the ", question.noun.plural, " had reached it by ",
                        sdk::ListOf(reached), ".");
  }
  if (!others.empty()) {
    absl::StrAppend(&text, text.empty() ? "" : " ", "With ", sdk::ListOf(others),
                    " fewer than half had reached it while they were followed.");
  }
  if (!text.empty()) builder.Say(text, slots);
}

void SayFinishers(const Question& question, const Sensitivity& sensitivity,
                  sdk::ResultBuilder& builder) {
  if (sensitivity.finishers.empty()) return;
  std::int64_t unfinished = 0;
  for (const sdk::UnitStatus status : question.analyzed.status) {
    unfinished += status == sdk::UnitStatus::kReached ? 0 : 1;
  }
  builder.Say(absl::StrCat(
      sdk::Counted(unfinished, question.noun.singular, question.noun.plural), " of ",
      question.analyzed.units(),
      " had not reached it when last seen. They count with the days they were followed."));
  const Difference& first = sensitivity.finishers.front();
  if (!first.value) return;
  builder.Say(
      absl::StrCat("Leaving them out would show $1 as $0 days ",
                   *first.value < 0 ? "sooner" : "later",
                   " than $2. That figure misleads: an arm in which only the quickest make it "
                   "looks quick."),
      {Days(first.id, analysis::v1::QUOTED_FIELD_VALUE), question.Quoted(first.arm),
       question.Quoted(question.control())});
}

double MedianGap(const Question& question, int arm) {
  std::vector<double> gaps;
  for (std::size_t unit = 0; unit < question.analyzed.units(); ++unit) {
    if (question.analyzed.arm[unit] != arm) continue;
    if (question.analyzed.status[unit] != sdk::UnitStatus::kReached) continue;
    gaps.push_back(question.analyzed.upper[unit] - question.analyzed.lower[unit]);
  }
  if (gaps.empty()) return 0;
  const auto middle = gaps.begin() + static_cast<std::ptrdiff_t>(gaps.size() / 2);
  std::nth_element(gaps.begin(), middle, gaps.end());
  return *middle;
}

// Looks that are further apart in one arm make that arm seem later.
void AddLookAssumption(const Question& question, sdk::ResultBuilder& builder) {
  std::vector<std::string> gaps;
  double least = 0;
  double most = 0;
  bool first = true;
  for (std::size_t position = 0; position < question.analyzed.arms.size(); ++position) {
    const int arm = static_cast<int>(position);
    if (question.layout.units[position] == 0) continue;
    const double gap = MedianGap(question, arm);
    gaps.push_back(absl::StrCat(sdk::Short(gap, 1), " days with ", question.Quoted(arm)));
    least = first ? gap : std::min(least, gap);
    most = first ? gap : std::max(most, gap);
    first = false;
  }
  if (gaps.empty()) return;
  const bool alike = most - least < 1;
  builder.Assume(
      "The day on which a unit was first seen to have reached the threshold stands for "
      "the day on which it did, alike in every arm.",
      absl::StrCat("Half of the crossings lay within ", sdk::ListOf(gaps),
                   ". A figure with the midpoint between looks is given where looks "
                   "leave a gap."),
      alike ? analysis::v1::VERDICT_HOLDS : analysis::v1::VERDICT_DOUBTFUL,
      alike ? "All days are late by up to one gap between looks; differences between "
              "arms hardly."
            : "Arms were looked at unequally often, which shifts the difference by up "
              "to the difference of the gaps; trust the midpoint figure more.");
}

void AddSources(sdk::ResultBuilder& builder) {
  builder.Cite(
      "Kaplan EL, Meier P (1958). Nonparametric estimation from incomplete observations. "
      "Journal of the American Statistical Association 53:457-481",
      "10.1080/01621459.1958.10501452", "share reached by a day");
  builder.Cite(
      "Brookmeyer R, Crowley J (1982). A confidence interval for the median survival "
      "time. Biometrics 38:29-41",
      "10.2307/2530286", "limits of the days to a quantile");
  builder.Cite(
      "Uno H et al. (2014). Moving beyond the hazard ratio in quantifying the "
      "between-group difference in survival analysis. Journal of Clinical Oncology "
      "32:2380-2385",
      "10.1200/JCO.2014.55.2208", "difference of restricted means");
  builder.Cite(
      "Andersen PK, Hansen MG, Klein JP (2004). Regression analysis of restricted mean "
      "survival time based on pseudo-observations. Lifetime Data Analysis 10:335-350",
      "10.1007/s10985-004-4771-0", "influence of a unit on a restricted mean");
  builder.Cite(
      "Cox DR (1972). Regression models and life-tables. Journal of the Royal Statistical "
      "Society B 34:187-220",
      "10.1111/j.2517-6161.1972.tb00899.x", "hazard ratio");
  builder.Cite(
      "Lin DY, Wei LJ (1989). The robust inference for the Cox proportional hazards model. "
      "Journal of the American Statistical Association 84:1074-1078",
      "10.1080/01621459.1989.10478874", "cluster-robust errors of the hazard ratio");
  builder.Cite(
      "Mantel N (1966). Evaluation of survival data and two new rank order statistics "
      "arising in its consideration. Cancer Chemotherapy Reports 50:163-170",
      "", "log-rank tests");
  builder.Cite(
      "Clopper CJ, Pearson ES (1934). The use of confidence or fiducial limits illustrated "
      "in the case of the binomial. Biometrika 26:404-413",
      "10.1093/biomet/26.4.404", "limits of the share of blocks");
  builder.Cite(
      "Holm S (1979). A simple sequentially rejective multiple test procedure. "
      "Scandinavian Journal of Statistics 6:65-70",
      "", "correction for several arms");
}

}  // namespace

void SayFindings(const Question& question, const std::vector<Difference>& primary,
                 const ArmDescriptions& arms, const Sensitivity& sensitivity,
                 sdk::ResultBuilder& builder) {
  const std::size_t spoken = std::min(primary.size(), kMostArmsInWords);
  for (std::size_t i = 0; i < spoken; ++i) SayDifference(question, primary[i], builder);
  if (spoken < primary.size()) {
    builder.Say(
        absl::StrCat(primary.size() - spoken, " further arms are in the table of estimates."));
  }
  if (!primary.empty()) SayMargin(question, builder);
  if (arms.median.size() <= kMostArmsInWords) {
    SayReached(question, arms, builder);
    SayMedians(question, arms, builder);
  }
  SayFinishers(question, sensitivity, builder);
  if (question.treatments.size() > 1) {
    builder.Say(
        "Several arms were each compared with the control; the intervals hold for each "
        "comparison by itself, the intervals marked single step and the p-values marked single "
        "step or holm for all of them together.");
  }
}

void AddMethod(const Question& question, const study::v1::Protocol& protocol,
               sdk::ResultBuilder& builder) {
  sdk::AddDesignAssumptions(protocol, question.layout, builder);
  sdk::AddLossAssumption(question.analyzed,
                         "Units lost are counted up to the day of their loss. If loss and lateness "
                         "go together the shares reached are too high; the estimate "
                         "biological_loss_as_never shows how much rot could matter.",
                         builder);
  AddLookAssumption(question, builder);
  std::string statement = absl::StrCat(
      "Time to the threshold was counted in days from the start to the day on which it was "
      "first seen to be reached; units that had not reached it were censored on the last day known "
      "without it (analysis set ",
      question.set,
      "). Arms were compared with the control by the difference of restricted mean "
      "days up to day ",
      sdk::Short(question.horizon, 2),
      question.horizon_declared ? " (declared, or shortened to the follow-up)"
                                : " (the smallest over arms of the largest observed day)",
      ", with influence-function errors summed by block. Shares reached are product-limit "
      "estimates "
      "with log-log limits, quantiles have Brookmeyer-Crowley limits, hazard ratios come from a "
      "proportional-hazards model stratified by block (ties: ",
      question.parameters.Choice("ties"),
      ") and from an unstratified one with cluster-robust errors (Efron ties), whose "
      "constancy was checked with scaled Schoenfeld residuals against the Kaplan-Meier scale; the "
      "first arm in a block was counted with Clopper-Pearson limits. Limits are at ",
      sdk::Short(100 * question.level, 2), " %.");
  if (question.treatments.size() > 1) {
    absl::StrAppend(&statement, " Multiplicity: ",
                    sdk::MultiplicityWords(static_cast<int>(question.treatments.size())),
                    " Beside it single-step limits and p-values from the joint normal distribution "
                    "of the differences, their covariance summed by block.");
  }
  absl::StrAppend(
      &statement,
      " Words: an amount is said to matter when the whole interval lies at or beyond the margin; "
      "no difference is said to matter when the whole interval lies inside it; with fewer than ",
      sdk::kFewestBlocks, " blocks nothing is concluded.");
  builder.MethodStatement(statement);
  AddSources(builder);
}

}  // namespace plumule::time_to_threshold
