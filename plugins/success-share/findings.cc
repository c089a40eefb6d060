#include <algorithm>
#include <cmath>

#include "absl/strings/str_cat.h"
#include "plugins/sdk/figure.h"
#include "plugins/sdk/judgement.h"
#include "plugins/success-share/parts.h"

namespace plumule::success_share {
namespace {

using sdk::Number;
using sdk::Slot;

constexpr std::size_t kMostArmsInWords = 6;

// Of 100; one digit more where whole ones would round a limit to nothing.
int DecimalsFor(const ShareDifference& difference) {
  const double least = std::min(
      {std::abs(*difference.value), std::abs(*difference.lower), std::abs(*difference.upper)});
  return least < 0.01 ? 1 : 0;
}

Number OfHundred(const std::string& id, analysis::v1::QuotedField field, int decimals) {
  return {.source = id, .field = field, .decimals = decimals, .factor = 100, .absolute = true};
}

std::string Lead(const Question& question, const ShareDifference& difference) {
  const std::string arm = question.Quoted(difference.arm);
  const std::string control = question.Quoted(question.control());
  std::optional<double> margin;
  if (question.margin) margin = *question.margin / 100;
  const std::string perhaps =
      margin ? ", but can't tell yet whether by an amount that matters" : "";
  switch (sdk::Judge({difference.lower, difference.upper, difference.blocks}, margin)) {
    case sdk::Judgement::kHigherMatters:
      return absl::StrCat("More made it with ", arm, " than with ", control,
                          " by an amount that matters");
    case sdk::Judgement::kLowerMatters:
      return absl::StrCat("Fewer made it with ", arm, " than with ", control,
                          " by an amount that matters");
    case sdk::Judgement::kNoneThatMatters:
      return absl::StrCat("No difference that matters between ", arm, " and ", control);
    case sdk::Judgement::kHigher:
      return absl::StrCat("More made it with ", arm, " than with ", control, perhaps);
    case sdk::Judgement::kLower:
      return absl::StrCat("Fewer made it with ", arm, " than with ", control, perhaps);
    case sdk::Judgement::kCannotTell:
      break;
  }
  return absl::StrCat("Can't tell yet whether more make it with ", arm, " or with ", control);
}

// $1 and $2 are the limits, the lower first.
std::string IntervalTemplate(const ShareDifference& difference) {
  if (*difference.upper <= 0) return "$2 to $1 fewer";
  if (*difference.lower >= 0) return "$1 to $2 more";
  return "from $1 fewer to $2 more";
}

void SayDifference(const Question& question, const ShareDifference& difference,
                   sdk::ResultBuilder& builder) {
  if (!difference.value) {
    builder.Say("$0 can't be compared with $1 from these data; the warnings say why.",
                {question.Quoted(difference.arm), question.Quoted(question.control())});
    return;
  }
  const int decimals = DecimalsFor(difference);
  const std::string& id = difference.id;
  builder.Say(
      absl::StrCat(sdk::Escaped(Lead(question, difference)), ": $0 ",
                   *difference.value < 0 ? "fewer" : "more", " of every 100 ", question.noun.plural,
                   " (", sdk::IntervalWords(question.level), " ", IntervalTemplate(difference), ")",
                   difference.paired ? ", comparing the two of each block." : "."),
      {OfHundred(id, analysis::v1::QUOTED_FIELD_VALUE, decimals),
       OfHundred(id, analysis::v1::QUOTED_FIELD_LOWER, decimals),
       OfHundred(id, analysis::v1::QUOTED_FIELD_UPPER, decimals)});
}

void SayShares(const Question& question, const std::vector<std::string>& shares,
               sdk::ResultBuilder& builder) {
  std::vector<Slot> slots;
  std::vector<std::string> parts;
  for (std::size_t arm = 0; arm < shares.size() && parts.size() < 5; ++arm) {
    if (shares[arm].empty()) continue;
    parts.push_back(absl::StrCat("$", slots.size(), " of $", slots.size() + 1, " with ",
                                 sdk::Escaped(question.Quoted(static_cast<int>(arm)))));
    slots.push_back(Number{.source = shares[arm], .field = analysis::v1::QUOTED_FIELD_EVENTS});
    slots.push_back(Number{.source = shares[arm], .field = analysis::v1::QUOTED_FIELD_UNITS});
  }
  if (parts.empty()) return;
  const std::string when =
      question.by_day ? absl::StrCat("by day ", sdk::Short(*question.by_day, 2)) : "by the close";
  builder.Say(
      absl::StrCat("Of the ", question.noun.plural, " whose outcome is known, ", sdk::ListOf(parts),
                   " had made it ", when, " (", sdk::Escaped(question.threshold_label), ")."),
      slots);
}

void SayUnknown(const Question& question, const std::vector<ShareDifference>& bounds,
                sdk::ResultBuilder& builder) {
  std::int64_t unknown = 0;
  for (const ArmCounts& counts : question.counts) unknown += counts.unknown;
  if (unknown == 0) return;
  builder.Say(absl::StrCat("Of ",
                           sdk::Counted(unknown, question.noun.singular, question.noun.plural),
                           " it is not known whether they would have made it (lost by accident",
                           question.by_day ? ", or last seen before that day" : "",
                           "); they are left out of these shares."));
  const ShareDifference* against = nullptr;
  const ShareDifference* in_favor = nullptr;
  for (std::size_t i = 0; i + 3 < bounds.size() && against == nullptr; i += 4) {
    if (!bounds[i].value) continue;
    against = &bounds[i + 2];
    in_favor = &bounds[i + 3];
  }
  if (against == nullptr) return;
  const auto direction = [](const ShareDifference& bound) {
    return *bound.value < 0 ? "fewer" : "more";
  };
  builder.Say(
      absl::StrCat("Had all of them gone against $2, it would have been $0 ", direction(*against),
                   " of every 100; had all gone for it, $1 ", direction(*in_favor), "."),
      {OfHundred(against->id, analysis::v1::QUOTED_FIELD_VALUE, 0),
       OfHundred(in_favor->id, analysis::v1::QUOTED_FIELD_VALUE, 0),
       question.Quoted(against->arm)});
}

std::optional<double> Hundredfold(const std::optional<double>& value) {
  if (!value) return std::nullopt;
  return 100 * *value;
}

}  // namespace

void AddFigures(const Question& question, const std::vector<std::string>& shares,
                const std::vector<ShareDifference>& differences, sdk::ResultBuilder& builder) {
  std::vector<sdk::IntervalRow> rows;
  for (std::size_t arm = 0; arm < shares.size(); ++arm) {
    const auto* share = shares[arm].empty() ? nullptr : builder.Find(shares[arm]);
    if (share == nullptr) continue;
    rows.push_back({.label = question.analyzed.arms[arm].label,
                    .value = 100 * share->value(),
                    .lower = 100 * share->lower(),
                    .upper = 100 * share->upper(),
                    .position = static_cast<int>(arm)});
  }
  const std::string interval = sdk::IntervalWords(question.level);
  if (!rows.empty()) {
    builder.Add(sdk::IntervalFigure(
        "shares", absl::StrCat("How many of 100 ", question.noun.plural, " made it"),
        absl::StrCat("Each mark is the share of one arm, the line its ", interval, "."), rows,
        {.title = absl::StrCat("Made it, of 100 ", question.noun.plural),
         .reference = {},
         .reference_label = "",
         .logarithmic = false,
         .decimals = 0}));
  }
  if (differences.empty()) return;
  std::vector<sdk::IntervalRow> compared;
  for (const ShareDifference& difference : differences) {
    compared.push_back({.label = difference.label,
                        .value = Hundredfold(difference.value),
                        .lower = Hundredfold(difference.lower),
                        .upper = Hundredfold(difference.upper),
                        .position = difference.arm});
  }
  const std::string control = question.Quoted(question.control());
  builder.Add(sdk::IntervalFigure(
      "differences", "How many more or fewer made it",
      absl::StrCat("Compared with ", control, ", with ", interval,
                   "s. Right of the dashed line more made it, left of it fewer."),
      compared,
      {.title = absl::StrCat("More (above 0) or fewer (below 0) of 100 ", question.noun.plural,
                             " than with ", control),
       .reference = 0,
       .reference_label = "no difference",
       .logarithmic = false,
       .decimals = 1}));
}

void SayFindings(const Question& question, const std::vector<std::string>& shares,
                 const std::vector<ShareDifference>& primary,
                 const std::vector<ShareDifference>& bounds, sdk::ResultBuilder& builder) {
  const std::size_t spoken = std::min(primary.size(), kMostArmsInWords);
  for (std::size_t i = 0; i < spoken; ++i) SayDifference(question, primary[i], builder);
  if (spoken < primary.size()) {
    builder.Say(
        absl::StrCat(primary.size() - spoken, " further arms are in the table of estimates."));
  }
  if (question.margin) {
    builder.Say(absl::StrCat("The protocol says that ", sdk::Short(*question.margin, 2),
                             " more or fewer of 100 would matter to a grower."));
  } else {
    builder.Say(
        "No margin of practical importance was declared, so nothing is said about whether "
        "the difference matters.");
  }
  SayShares(question, shares, builder);
  SayUnknown(question, bounds, builder);
  if (question.treatments.size() > 1) {
    builder.Say(
        "Several arms were each compared with the control; the intervals hold for each "
        "comparison by itself, the p-values marked holm for all of them together.");
  }
}

void AddMethod(const Question& question, const study::v1::Protocol& protocol,
               sdk::ResultBuilder& builder) {
  sdk::AddDesignAssumptions(protocol, question.layout, builder);
  sdk::AddLossAssumption(question.analyzed,
                         "Units lost to rot and drying count as not having made it; those lost by "
                         "accident are left out, and the bounds (lost_as_failures, "
                         "lost_as_successes, lost_against_arm, lost_for_arm) show how much they "
                         "could matter.",
                         builder);
  std::string statement = absl::StrCat(
      "A unit succeeded if it was first seen to have reached the threshold ",
      question.by_day ? absl::StrCat("on or before day ", sdk::Short(*question.by_day, 2))
                      : std::string("by the close"),
      " (analysis set ", question.set,
      "). Units lost to biological causes count as failures; units of unknown outcome are left out "
      "and bound the result in four sensitivity figures. Shares have Wilson limits. Differences "
      "are "
      "by Newcombe's paired method 10 where every block has at most one unit an arm (complete "
      "pairs "
      "only), otherwise by his unpaired method 10, both without continuity correction; tests are "
      "McNemar's exact, mid-p and asymptotic ones for pairs, Fisher's exact one otherwise. Effects "
      "for pooling take the arms as independent; where a cell is 0 one half is added to all four. "
      "Limits are at ",
      sdk::Short(100 * question.level, 2), " %.");
  if (question.treatments.size() > 1) {
    absl::StrAppend(&statement, " Multiplicity: ",
                    sdk::MultiplicityWords(static_cast<int>(question.treatments.size())));
  }
  absl::StrAppend(
      &statement,
      " Words: an amount is said to matter when the whole interval lies at or beyond the margin; "
      "no difference is said to matter when the whole interval lies inside it; with fewer than ",
      sdk::kFewestBlocks, " blocks nothing is concluded.");
  builder.MethodStatement(statement);
  builder.Cite(
      "Wilson EB (1927). Probable inference, the law of succession, and statistical "
      "inference. Journal of the American Statistical Association 22:209-212",
      "10.1080/01621459.1927.10502953", "limits of a share");
  builder.Cite(
      "Newcombe RG (1998). Interval estimation for the difference between independent "
      "proportions. Statistics in Medicine 17:873-890",
      "", "unpaired difference, method 10");
  builder.Cite(
      "Newcombe RG (1998). Improved confidence intervals for the difference between "
      "binomial proportions based on paired data. Statistics in Medicine 17:2635-2650",
      "", "paired difference, method 10");
  builder.Cite(
      "McNemar Q (1947). Note on the sampling error of the difference between correlated "
      "proportions or percentages. Psychometrika 12:153-157",
      "10.1007/BF02295996", "test for pairs");
  builder.Cite(
      "Fagerland MW, Lydersen S, Laake P (2013). The McNemar test for binary matched-pairs "
      "data: mid-p and asymptotic are better than exact conditional. BMC Medical Research "
      "Methodology 13:91",
      "10.1186/1471-2288-13-91", "mid-p test for pairs");
  builder.Cite(
      "Holm S (1979). A simple sequentially rejective multiple test procedure. "
      "Scandinavian Journal of Statistics 6:65-70",
      "", "correction for several arms");
}

}  // namespace plumule::success_share
