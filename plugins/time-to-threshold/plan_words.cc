#include <algorithm>
#include <cmath>

#include "absl/strings/str_cat.h"
#include "plugins/sdk/threshold_question.h"
#include "plugins/time-to-threshold/plan.h"

namespace plumule::time_to_threshold {
namespace {

using sdk::Number;

Number Whole(const std::string& id) {
  return {.source = id, .field = analysis::v1::QUOTED_FIELD_VALUE};
}
Number OfHundred(const std::string& id, analysis::v1::QuotedField field) {
  return {.source = id, .field = field, .decimals = 0, .factor = 100};
}
Number Days(const std::string& id) {
  return {.source = id,
          .field = analysis::v1::QUOTED_FIELD_VALUE,
          .decimals = 1,
          .factor = 1,
          .absolute = true};
}

// "if coat off brings half of the seeds there $N days sooner"
std::string Effect(const PlanQuestion& question, int slot) {
  return absl::StrCat("if ", sdk::Escaped(question.treatment), " brings half of the ",
                      question.noun.plural, " there $", slot, " days ",
                      question.expected.sooner_days > 0 ? "sooner" : "later");
}

void SayBlocks(const PlanQuestion& question, const PlanIds& ids, sdk::ResultBuilder& builder) {
  const std::string& needed =
      ids.blocks_for_power.empty() ? ids.formula_blocks : ids.blocks_for_power;
  if (needed.empty()) {
    builder.Say(absl::StrCat("No number of blocks finds this effect often enough; the warnings say "
                             "why. It was asked for ",
                             Effect(question, 0), "."),
                {Days(ids.effect)});
    return;
  }
  builder.Say(absl::StrCat("About $0 blocks, one a grower, each with ",
                           sdk::Counted(question.expected.units_per_arm, question.noun.singular,
                                        question.noun.plural),
                           " of each arm, let $1 of 100 such studies find the difference, ",
                           Effect(question, 2), "."),
              {Whole(needed), OfHundred(needed, analysis::v1::QUOTED_FIELD_AT), Days(ids.effect)});
  if (needed != ids.formula_blocks && !ids.formula_blocks.empty()) {
    builder.Say(
        "That is by simulating the study as the protocol describes it; by formula it is $0.",
        {Whole(ids.formula_blocks)});
  }
}

void SayGivenBlocks(const PlanQuestion& question, const PlanNumbers& numbers, const PlanIds& ids,
                    sdk::ResultBuilder& builder) {
  if (ids.power.empty()) return;
  builder.Say(absl::StrCat("With ", numbers.blocks,
                           " blocks, one a grower, $0 of 100 such studies find the difference, ",
                           Effect(question, 1), "."),
              {OfHundred(ids.power, analysis::v1::QUOTED_FIELD_VALUE), Days(ids.effect)});
}

void SayPrecision(const PlanQuestion& question, const PlanNumbers& numbers, const PlanIds& ids,
                  sdk::ResultBuilder& builder) {
  if (question.blocks > 0 && !ids.detectable.empty()) {
    builder.Say(absl::StrCat("The smallest difference that ", numbers.blocks,
                             " blocks would find in ", sdk::Short(100 * question.power, 1),
                             " of 100 studies is one of about $0 days."),
                {Days(ids.detectable)});
  }
  if (!ids.width.empty()) {
    builder.Say(absl::StrCat("The ", sdk::IntervalWords(question.level),
                             " of the difference in mean days will be about $0 days wide",
                             question.comparisons > 1
                                 ? absl::StrCat(", once it allows for ", question.comparisons,
                                                " comparisons with the control")
                                 : std::string(),
                             "."),
                {Days(ids.width)});
  }
}

// What costs most among the other suppositions, a smaller effect aside.
void SayWhatIf(const PlanNumbers& numbers, sdk::ResultBuilder& builder) {
  const WhatIf* worst = nullptr;
  for (std::size_t i = kEffectsAsked; i < numbers.what_if.size(); ++i) {
    const WhatIf& one = numbers.what_if[i];
    if (one.power && (worst == nullptr || *one.power < *worst->power)) worst = &one;
  }
  if (worst == nullptr) return;
  builder.Say(absl::StrCat(
      "All of this rests on what was supposed; the assumptions list it, and a table shows what "
      "would change the answer. A smaller effect aside, it would cost most if ",
      sdk::Escaped(worst->words), "."));
}

// Formula and simulation must agree where the normal approximation holds.
void CompareWays(const PlanQuestion& question, const PlanNumbers& numbers,
                 sdk::ResultBuilder& builder) {
  const stats::Simulation* found = numbers.at_issue();
  const auto formula =
      stats::PowerWith(numbers.expected, stats::PlannedTest::kRestrictedMeanDifference,
                       std::max<std::int64_t>(1, numbers.blocks), question.alpha);
  if (found == nullptr || !formula.ok() || !formula->value) return;
  // Three Monte Carlo errors, and two of 100 for the approximation (common practice, no source).
  const double apart = std::abs(found->restricted_mean.power - *formula->value);
  const bool agree = apart <= 3 * found->restricted_mean.power_error + 0.02;
  builder.Assume("Estimates of this size of study vary as in very large ones.",
                 absl::StrCat("By formula ", sdk::Short(100 * *formula->value, 0),
                              " of 100 studies find the difference, by simulation ",
                              sdk::Short(100 * found->restricted_mean.power, 0), "."),
                 agree ? analysis::v1::VERDICT_HOLDS : analysis::v1::VERDICT_DOUBTFUL,
                 agree ? "" : "Trust the simulation, which does not need this.");
}

}  // namespace

void SayPlan(const PlanQuestion& question, const PlanNumbers& numbers, const PlanIds& ids,
             sdk::ResultBuilder& builder) {
  if (question.blocks > 0) SayGivenBlocks(question, numbers, ids, builder);
  SayBlocks(question, ids, builder);
  SayPrecision(question, numbers, ids, builder);
  SayWhatIf(numbers, builder);
  for (const Supposition& supposition : question.suppositions) {
    builder.Assume(supposition.what, supposition.origin, analysis::v1::VERDICT_NOT_CHECKED, "");
  }
  CompareWays(question, numbers, builder);
  builder.MethodStatement(absl::StrCat(
      "Times of units that can reach the threshold follow a Weibull distribution with a gamma "
      "frailty shared by a block; the treatment multiplies the hazard. By formula, power is that "
      "of "
      "a normal distribution with the exact mean and the asymptotic variance of the difference of "
      "restricted means up to day ",
      sdk::Short(question.expected.horizon, 2),
      " (influences summed by block), and of the log-rank test by block (Schoenfeld's mean and "
      "information, summed over the risk sets of a block). By simulation, ",
      question.replicates,
      " studies a number of blocks were drawn with starts, losses, silent blocks, looks and "
      "closing "
      "as above and analyzed as the protocol's analysis will be. Two-sided level ",
      sdk::Short(question.alpha, 4),
      question.comparisons > 1
          ? absl::StrCat(" a comparison (Bonferroni over ", question.comparisons, ")")
          : std::string(),
      "; seed ", question.seed, "."));
  builder.Cite(
      "Schoenfeld DA (1983). Sample-size formula for the proportional-hazards regression model. "
      "Biometrics 39:499-503",
      "10.2307/2531021", "power of the log-rank test");
  builder.Cite(
      "Andersen PK, Hansen MG, Klein JP (2004). Regression analysis of restricted mean "
      "survival time based on pseudo-observations. Lifetime Data Analysis 10:335-350",
      "10.1007/s10985-004-4771-0", "variance of a difference of restricted means");
}

}  // namespace plumule::time_to_threshold
