#include <algorithm>
#include <cmath>

#include "absl/strings/str_cat.h"
#include "plugins/pooled-effects/synthesis.h"
#include "plugins/sdk/figure.h"
#include "plugins/sdk/words.h"
#include "plugins/stats/arguments.h"

namespace plumule::pooled_effects {
namespace {

using sdk::Number;

constexpr std::size_t kMostInForest = 100;

// How a measure is spoken of.
struct MeasureWords {
  std::string what;   // of which the ratio or difference is
  std::string unit;   // after the number, with a leading space
  double factor = 1;  // of the number in words
  int decimals = 2;
};

MeasureWords WordsOf(const Synthesis& synthesis) {
  if (synthesis.measure == "log_risk_ratio") return {"share that makes it", " times", 1, 2};
  if (synthesis.measure == "log_odds_ratio") return {"odds of making it", " times", 1, 2};
  if (synthesis.measure == "log_hazard_ratio") {
    return {"daily rate of reaching the threshold", " times", 1, 2};
  }
  if (synthesis.measure == "restricted_mean_difference") {
    return {"mean days to the threshold", " days", 1, 1};
  }
  if (synthesis.measure == "risk_difference") return {"number that makes it", " of 100", 100, 1};
  const std::string unit = synthesis.is_log        ? " times"
                           : synthesis.unit == "1" ? std::string()
                                                   : absl::StrCat(" ", synthesis.unit);
  return {synthesis.measure.empty() ? "effect" : synthesis.measure, unit, 1, 2};
}

Number Quote(const std::string& id, analysis::v1::QuotedField field, const MeasureWords& words) {
  return {.source = id, .field = field, .decimals = words.decimals, .factor = words.factor};
}

std::string Subject(const Synthesis& synthesis) {
  return synthesis.k() == 1 ? "In the one study" : absl::StrCat("Over ", synthesis.k(), " studies");
}

// "Over 13 studies, the share that makes it was 0.49 times that of the control (95 % interval …)".
std::string LeadTemplate(const Synthesis& synthesis, const MeasureWords& words) {
  const std::string interval = absl::StrCat(" (", sdk::IntervalWords(synthesis.level), " $1 to $2",
                                            synthesis.is_log ? "" : words.unit, ").");
  if (synthesis.is_log) {
    return absl::StrCat(Subject(synthesis), " the ", words.what,
                        " with the arm was $0 times that with ", "the control", interval);
  }
  return absl::StrCat(Subject(synthesis), " the difference in ", words.what,
                      ", arm less control, was $0", words.unit, interval);
}

// What the interval says against no difference.
std::string Verdict(const Synthesis& synthesis, const stats::Pooled& pooled) {
  if (!pooled.limits) return "No interval can be given.";
  if (pooled.limits->lower <= 0 && pooled.limits->upper >= 0) {
    return "Can't tell yet: the interval leaves room for either direction.";
  }
  const bool higher = pooled.estimate > 0;
  if (synthesis.measure == "log_hazard_ratio" ||
      synthesis.measure == "restricted_mean_difference") {
    const bool sooner = synthesis.is_log ? higher : !higher;
    return sooner ? "On average over studies the arm is sooner than the control."
                  : "On average over studies the arm is later than the control.";
  }
  return higher ? "On average over studies it is more with the arm than with the control."
                : "On average over studies it is less with the arm than with the control.";
}

void SaySpread(const Synthesis& synthesis, const Synthesized& found, const MeasureWords& words,
               sdk::ResultBuilder& builder) {
  if (!found.i_squared_id.empty()) {
    builder.Say("Of what studies differ by, $0 % is more than chance within studies explains.",
                {Number{.source = found.i_squared_id, .decimals = 0}});
  }
  if (!found.prediction) return;
  builder.Say(
      absl::StrCat("A further study of the same kind would be expected to find between $0 and $1",
                   words.unit, " (", sdk::Short(100 * synthesis.level, 2),
                   " % prediction interval)."),
      {Quote(found.prediction_id, analysis::v1::QUOTED_FIELD_LOWER, words),
       Quote(found.prediction_id, analysis::v1::QUOTED_FIELD_UPPER, words)});
}

sdk::IntervalRow MakeRow(const Synthesis& synthesis, const std::string& label, double value,
                         double lower, double upper) {
  const auto show = [&](double number) { return synthesis.is_log ? std::exp(number) : number; };
  return {.label = label, .value = show(value), .lower = show(lower), .upper = show(upper)};
}

void AddSources(sdk::ResultBuilder& builder) {
  builder.Cite(
      "DerSimonian R, Laird N (1986). Meta-analysis in clinical trials. Controlled "
      "Clinical Trials 7:177-188",
      "10.1016/0197-2456(86)90046-2", "random-effects model and its moment estimate");
  builder.Cite(
      "Paule RC, Mandel J (1982). Consensus values and weighting factors. Journal of "
      "Research of the National Bureau of Standards 87:377-385",
      "", "variance between studies, where chosen");
  builder.Cite(
      "Viechtbauer W (2005). Bias and efficiency of meta-analytic variance estimators in "
      "the random-effects model. Journal of Educational and Behavioral Statistics "
      "30:261-293",
      "10.3102/10769986030003261", "restricted maximum likelihood");
  builder.Cite(
      "Hartung J, Knapp G (2001). A refined method for the meta-analysis of controlled "
      "clinical trials with binary outcome. Statistics in Medicine 20:3875-3889",
      "10.1002/sim.1009", "interval of the pooled effect");
  builder.Cite(
      "Röver C, Knapp G, Friede T (2015). Hartung-Knapp-Sidik-Jonkman approach and its "
      "modification for random-effects meta-analysis with few studies. BMC Medical "
      "Research Methodology 15:99",
      "10.1186/s12874-015-0091-1", "safeguard of that interval");
  builder.Cite(
      "Higgins JPT, Thompson SG (2002). Quantifying heterogeneity in a meta-analysis. "
      "Statistics in Medicine 21:1539-1558",
      "10.1002/sim.1186", "I² and H²");
  builder.Cite(
      "Higgins JPT, Thompson SG, Spiegelhalter DJ (2009). A re-evaluation of "
      "random-effects meta-analysis. Journal of the Royal Statistical Society A "
      "172:137-159",
      "10.1111/j.1467-985X.2008.00552.x", "prediction interval");
  builder.Cite(
      "Viechtbauer W (2007). Confidence intervals for the amount of heterogeneity in "
      "meta-analysis. Statistics in Medicine 26:37-52",
      "10.1002/sim.2514", "limits of the variance between studies");
}

}  // namespace

void SayFindings(const Synthesis& synthesis, const Synthesized& found,
                 sdk::ResultBuilder& builder) {
  if (!found.primary.converged) {
    builder.Say("The pooled effect can't be had from these studies; the warnings say why.");
    return;
  }
  const MeasureWords words = WordsOf(synthesis);
  const std::string& id = synthesis.is_log ? found.ratio_id : found.pooled_id;
  builder.Say(LeadTemplate(synthesis, words), {Quote(id, analysis::v1::QUOTED_FIELD_VALUE, words),
                                               Quote(id, analysis::v1::QUOTED_FIELD_LOWER, words),
                                               Quote(id, analysis::v1::QUOTED_FIELD_UPPER, words)});
  builder.Say(Verdict(synthesis, found.primary));
  SaySpread(synthesis, found, words, builder);
}

void AddForest(const Synthesis& synthesis, const Synthesized& found, sdk::ResultBuilder& builder) {
  const Studies& studies = synthesis.studies;
  const double z = stats::TwoSidedNormalQuantile(synthesis.level);
  const std::size_t shown = std::min(studies.size(), kMostInForest);
  const double heaviest =
      *std::max_element(found.primary.weight.begin(), found.primary.weight.end());
  std::vector<sdk::IntervalRow> rows;
  for (std::size_t i = 0; i < shown; ++i) {
    const stats::Effect& effect = studies.effects[i];
    const double half = z * std::sqrt(effect.variance);
    rows.push_back(MakeRow(synthesis, studies.names[i], effect.estimate, effect.estimate - half,
                           effect.estimate + half));
    rows.back().weight = found.primary.weight[i] / heaviest;
  }
  if (shown < studies.size()) {
    builder.Warn("forest_cut", absl::StrCat("The figure shows the first ", shown, " of ",
                                            studies.size(), " studies; the table has all."));
  }
  const stats::Pooled& pooled = found.primary;
  if (pooled.limits) {
    rows.push_back(MakeRow(synthesis, "All studies, pooled", pooled.estimate, pooled.limits->lower,
                           pooled.limits->upper));
    rows.back().summary = true;
  }
  if (found.prediction) {
    rows.push_back(MakeRow(synthesis, "A further study, predicted", pooled.estimate,
                           found.prediction->lower, found.prediction->upper));
  }
  const std::string axis =
      synthesis.is_log
          ? "Arm compared with control, as a ratio"
          : absl::StrCat("Arm less control", synthesis.unit == "1"
                                                 ? std::string()
                                                 : absl::StrCat(", in ", synthesis.unit));
  builder.Add(sdk::IntervalFigure(
      "forest", "Studies and what they say together",
      absl::StrCat("Each square is a study, larger the more it weighs; lines are ",
                   sdk::IntervalWords(synthesis.level),
                   "s. The diamond is the pooled effect. The dashed line is no difference."),
      rows,
      {.title = axis,
       .reference = synthesis.is_log ? 1 : 0,
       .reference_label = "no difference",
       .logarithmic = synthesis.is_log,
       .decimals = 2}));
}

void AddMethod(const Synthesis& synthesis, sdk::ResultBuilder& builder) {
  const bool hartung_knapp = synthesis.errors != stats::PooledErrors::kNormal;
  builder.MethodStatement(absl::StrCat(
      "Effects (", synthesis.measure.empty() ? "as given" : synthesis.measure, ") of ",
      synthesis.k(),
      " studies were pooled by inverse variance under random effects with "
      "the variance between studies by ",
      std::string(stats::ToString(synthesis.tau_squared)), "; the interval is ",
      hartung_knapp ? "Hartung and Knapp's, t with k - 1 degrees of freedom, with a variance never "
                      "below the usual one"
                    : "the normal one",
      ". Heterogeneity is given as tau squared with Q-profile limits, I squared, H squared and "
      "Cochran's Q; the prediction interval (",
      synthesis.prediction_name,
      ") is the pooled effect plus and minus the quantile times the root of tau squared and the "
      "usual squared standard error. Where counts were given and a cell was 0, one half was added "
      "to all four cells of that study. Limits are at ",
      sdk::Short(100 * synthesis.level, 2), " %."));
  builder.Assume("The studies are of different growers and blocks.",
                 "Not checked: effects do not say who took part.",
                 analysis::v1::VERDICT_NOT_CHECKED,
                 "If the same growers are in several studies the interval is too narrow.");
  builder.Assume("The studies were chosen without regard to what they found.",
                 "Can't be checked from the effects.", analysis::v1::VERDICT_NOT_CHECKED,
                 "If studies that found nothing are missing the pooled effect is too large.");
  builder.Assume("True effects of studies vary like a normal distribution around their mean.",
                 "Not checked; few studies could hardly show it.",
                 analysis::v1::VERDICT_NOT_CHECKED,
                 "The prediction interval leans on this more than the pooled effect does.");
  AddSources(builder);
}

}  // namespace plumule::pooled_effects
