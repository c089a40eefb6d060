// Proportions, 2×2 tables and pairs against R's stats package (prop.test, binom.test, fisher.test,
// mcnemar.test), and effect sizes against metafor's escalc. Newcombe's intervals are his formulas
// written out in R on prop.test's Wilson limits.
#include <gtest/gtest.h>

#include <string>

#include "plugins/stats/effect_size.h"
#include "plugins/stats/paired_proportion.h"
#include "plugins/stats/proportion.h"
#include "plugins/stats/proportion_difference.h"
#include "tests/reference/references.h"
#include "tests/reference/tally.h"

namespace plumule::reference {
namespace {

using nlohmann::json;
namespace st = plumule::stats;

void CompareLimits(Tally& tally, const std::string& name, const st::Interval& ours,
                   const json& theirs) {
  tally.Compare(name, ours.lower, theirs.at(0).get<double>(), kClosedForm);
  tally.Compare(name, ours.upper, theirs.at(1).get<double>(), kClosedForm);
}

TEST(ProportionReference, SharesAgreeWithPropTestAndBinomTest) {
  Tally tally;
  for (const json& figures : References().at("proportions")) {
    const auto x = figures.at("x").get<std::int64_t>();
    const auto n = figures.at("n").get<std::int64_t>();
    const auto level = figures.at("level").get<double>();
    tally.Enter(std::to_string(x) + " of " + std::to_string(n));
    CompareLimits(tally, "wilson", st::Wilson(x, n, level)->limits, figures.at("wilson"));
    CompareLimits(tally, "clopper_pearson", st::ClopperPearson(x, n, level)->limits,
                  figures.at("exact"));
    tally.Compare("binomial p", *st::BinomialTest(x, n), figures.at("p_half").get<double>(),
                  kProbability);
    tally.Compare("binomial p", *st::BinomialTest(x, n, figures.at("null").get<double>()),
                  figures.at("p_null").get<double>(), kProbability);
  }
  tally.Print();
  EXPECT_GE(tally.comparisons("wilson"), 400);
}

TEST(ProportionReference, TablesAgreeWithFisherTestAndEscalc) {
  Tally tally;
  for (const json& figures : References().at("tables")) {
    const json& cells = figures.at("table");
    const st::TwoProportions table{.arm_successes = cells.at(0).get<std::int64_t>(),
                                   .arm_trials = cells.at(1).get<std::int64_t>(),
                                   .against_successes = cells.at(2).get<std::int64_t>(),
                                   .against_trials = cells.at(3).get<std::int64_t>()};
    tally.Enter(cells.dump());
    CompareLimits(tally, "newcombe",
                  st::NewcombeUnpaired(table, figures.at("level").get<double>())->limits,
                  figures.at("newcombe"));
    tally.Compare("fisher_exact", *st::FisherExact(table), figures.at("fisher").get<double>(),
                  kProbability);
    const auto effect = [&](const std::string& name, const st::Effect& ours) {
      tally.Compare(name, ours.estimate, figures.at(name).at(0).get<double>(), kClosedForm);
      tally.Compare(name + " variance", ours.variance, figures.at(name).at(1).get<double>(),
                    kClosedForm);
    };
    effect("log_risk_ratio", *st::LogRiskRatio(table));
    effect("log_odds_ratio", *st::LogOddsRatio(table));
    effect("risk_difference", *st::RiskDifference(table));
  }
  tally.Print();
  EXPECT_GE(tally.comparisons("fisher_exact"), 200);
}

TEST(ProportionReference, PairsAgreeWithMcnemarTestAndNewcombesFormulas) {
  Tally tally;
  for (const json& figures : References().at("pairs")) {
    const json& counts = figures.at("counts");
    const st::PairedCounts pairs{.both = counts.at(0).get<std::int64_t>(),
                                 .arm_only = counts.at(1).get<std::int64_t>(),
                                 .against_only = counts.at(2).get<std::int64_t>(),
                                 .neither = counts.at(3).get<std::int64_t>()};
    tally.Enter(counts.dump());
    CompareLimits(tally, "newcombe_paired",
                  st::NewcombePaired(pairs, figures.at("level").get<double>())->limits,
                  figures.at("newcombe"));
    const json& tests = figures.at("tests");
    if (tests.is_null()) {
      EXPECT_FALSE(st::McNemar(pairs, st::Continuity::kNone)->p_value.has_value());
      EXPECT_EQ(*st::McNemarExact(pairs), 1);
      continue;
    }
    const auto plain = st::McNemar(pairs, st::Continuity::kNone);
    tally.Compare("mcnemar", plain->statistic, tests.at("plain").get<double>(), kClosedForm);
    tally.Compare("mcnemar p", *plain->p_value, tests.at("plain_p").get<double>(), kProbability);
    tally.Compare("mcnemar_corrected p", *st::McNemar(pairs, st::Continuity::kCorrected)->p_value,
                  tests.at("corrected_p").get<double>(), kProbability);
    tally.Compare("mcnemar_exact", *st::McNemarExact(pairs), tests.at("exact").get<double>(),
                  kProbability);
    tally.Compare("mcnemar_mid_p", *st::McNemarMidP(pairs), tests.at("mid").get<double>(),
                  kProbability);
  }
  tally.Print();
  EXPECT_GE(tally.comparisons("mcnemar_mid_p"), 200);
}

}  // namespace
}  // namespace plumule::reference
