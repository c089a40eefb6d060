// Kaplan–Meier, quantiles, restricted means, log-rank, Cox and first-in-block against R's survival
// package, on published and on drawn data sets.
#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "plugins/stats/cox.h"
#include "plugins/stats/first_in_block.h"
#include "plugins/stats/kaplan_meier.h"
#include "plugins/stats/log_rank.h"
#include "plugins/stats/proportional_hazards.h"
#include "plugins/stats/quantile.h"
#include "plugins/stats/restricted_mean.h"
#include "tests/reference/references.h"
#include "tests/reference/tally.h"

namespace plumule::reference {
namespace {

using nlohmann::json;
namespace st = plumule::stats;

struct Units {
  explicit Units(const json& data)
      : time(data.at("time").get<std::vector<double>>()),
        event(data.at("event").get<std::vector<std::uint8_t>>()),
        arm(data.at("arm").get<std::vector<std::int32_t>>()),
        block(data.at("block").get<std::vector<std::int32_t>>()),
        arms(data.at("arms").get<int>()) {}

  st::Survival view() const {
    return {.time = time, .event = event, .arm = arm, .block = block, .arms = arms};
  }

  std::vector<double> time;
  std::vector<std::uint8_t> event;
  std::vector<std::int32_t> arm;
  std::vector<std::int32_t> block;
  int arms;
};

class SurvivalReference : public testing::Test {
 protected:
  // Calls check(units, figures) for every data set and prints the tally.
  template <typename Check>
  void ForEachDataSet(Check check) {
    for (const json& figures : References().at("survival")) {
      tally_.Enter(figures.at("name").get<std::string>());
      check(Units(figures), figures);
    }
    tally_.Print();
  }

  Tally tally_;
};

TEST_F(SurvivalReference, CurvesAndWhatIsReadOffThemAgreeWithSurvfit) {
  ForEachDataSet([&](const Units& units, const json& figures) {
    const auto curves = st::KaplanMeierByArm(units.view());
    ASSERT_TRUE(curves.ok()) << curves.status();
    for (std::size_t arm = 0; arm < curves->size(); ++arm) {
      const json& theirs = figures.at("groups").at(arm);
      const st::KaplanMeierCurve& curve = (*curves)[arm];
      if (theirs.is_null()) {
        EXPECT_TRUE(curve.steps.empty());
        continue;
      }
      ASSERT_EQ(curve.steps.size(), theirs.at("time").size());
      for (std::size_t i = 0; i < curve.steps.size(); ++i) {
        const st::KaplanMeierStep& step = curve.steps[i];
        EXPECT_EQ(step.time, theirs.at("time").at(i));
        EXPECT_EQ(step.at_risk, theirs.at("at_risk").at(i));
        EXPECT_EQ(step.events, theirs.at("events").at(i));
        EXPECT_EQ(step.censored, theirs.at("censored").at(i));
        tally_.Compare("curve: survival", step.survival, theirs.at("survival").at(i).get<double>(),
                       kClosedForm);
        tally_.Compare("curve: Greenwood variance", step.variance(),
                       theirs.at("variance").at(i).get<double>(), kClosedForm);
      }
      for (std::size_t i = 0; i < theirs.at("days").size(); ++i) {
        const auto reached = st::ReachedBy(curve, theirs.at("days").at(i).get<double>());
        ASSERT_TRUE(reached.ok()) << reached.status();
        tally_.Compare("reached_by", reached->share, theirs.at("reached").at(i).get<double>(),
                       kClosedForm);
        std::optional<double> lower, upper;
        if (reached->limits) {
          lower = reached->limits->lower;
          upper = reached->limits->upper;
        }
        tally_.Compare("reached_by limits", lower, Maybe(theirs.at("reached_lower").at(i)),
                       kClosedForm);
        tally_.Compare("reached_by limits", upper, Maybe(theirs.at("reached_upper").at(i)),
                       kClosedForm);
      }
      constexpr double kShares[] = {0.25, 0.5, 0.75};
      for (std::size_t i = 0; i < 3; ++i) {
        const auto quantile = st::DaysToQuantile(curve, kShares[i]);
        ASSERT_TRUE(quantile.ok()) << quantile.status();
        tally_.Compare("days_to_quantile", quantile->days, Maybe(theirs.at("quantile").at(i)),
                       kClosedForm);
        tally_.Compare("days_to_quantile limits", quantile->lower,
                       Maybe(theirs.at("quantile_lower").at(i)), kClosedForm);
        tally_.Compare("days_to_quantile limits", quantile->upper,
                       Maybe(theirs.at("quantile_upper").at(i)), kClosedForm);
      }
      const auto mean = st::RestrictedMeanDays(curve, figures.at("tau").get<double>());
      ASSERT_TRUE(mean.ok()) << mean.status();
      tally_.Compare("restricted_mean_days", mean->mean, theirs.at("restricted_mean").get<double>(),
                     kClosedForm);
      tally_.Compare("restricted_mean_days error", mean->standard_error,
                     theirs.at("restricted_mean_se").get<double>(), kClosedForm);
    }
  });
  EXPECT_GE(tally_.comparisons("restricted_mean_days"), 500);
}

TEST_F(SurvivalReference, RestrictedMeanContrastsAgreeWithInfluencesFromSurvfit) {
  ForEachDataSet([&](const Units& units, const json& figures) {
    const json& theirs = figures.at("contrast");
    if (theirs.is_null()) return tally_.LeaveOut("one of the two arms is empty");
    const double tau = figures.at("tau").get<double>();
    const auto independent =
        st::CompareRestrictedMeans(units.view(), 1, 0, tau, st::ErrorModel::kIndependent);
    const auto robust =
        st::CompareRestrictedMeans(units.view(), 1, 0, tau, st::ErrorModel::kClusterRobust);
    ASSERT_TRUE(independent.ok() && robust.ok());
    tally_.Compare("restricted_mean_difference", independent->difference,
                   theirs.at("difference").get<double>(), kClosedForm);
    tally_.Compare("restricted_mean_difference error", independent->difference_standard_error,
                   theirs.at("independent").get<double>(), kClosedForm);
    ASSERT_EQ(robust->ratio.has_value(), !theirs.at("ratio").is_null());
    if (robust->ratio) {
      tally_.Compare("restricted_mean_ratio", robust->ratio->value,
                     theirs.at("ratio").get<double>(), kClosedForm);
    }
    if (theirs.at("robust").is_null()) return tally_.LeaveOut("R has no influences to offer");
    tally_.Compare("restricted_mean_difference cluster_robust error",
                   robust->difference_standard_error, theirs.at("robust").get<double>(),
                   kClosedForm);
    if (robust->ratio) {
      tally_.Compare("restricted_mean_ratio cluster_robust error",
                     robust->ratio->log_standard_error, theirs.at("log_robust").get<double>(),
                     kClosedForm);
    }
  });
  EXPECT_GE(tally_.comparisons("restricted_mean_difference cluster_robust error"), 200);
}

TEST_F(SurvivalReference, LogRankAgreesWithSurvdiff) {
  const auto check = [&](const Units& units, const json& theirs, st::Stratification strata,
                         const std::string& name) {
    const auto ours = st::TestLogRank(units.view(), strata);
    ASSERT_TRUE(ours.ok()) << ours.status();
    if (theirs.is_null()) {
      EXPECT_FALSE(ours->test.p_value.has_value());
      return tally_.LeaveOut("only one arm has units");
    }
    const auto arm = theirs.at("arm").get<std::vector<std::size_t>>();
    for (std::size_t i = 0; i < arm.size(); ++i) {
      EXPECT_EQ(static_cast<double>(ours->observed[arm[i]]), theirs.at("observed").at(i));
      tally_.Compare(name + " expected", ours->expected[arm[i]],
                     theirs.at("expected").at(i).get<double>(), kClosedForm);
      for (std::size_t j = 0; j < arm.size(); ++j) {
        tally_.Compare(name + " covariance",
                       ours->covariance[arm[i] * static_cast<std::size_t>(units.arms) + arm[j]],
                       theirs.at("covariance").at(i * arm.size() + j).get<double>(), kClosedForm);
      }
    }
    if (theirs.at("p").is_null()) {
      EXPECT_FALSE(ours->remark.empty());
      return tally_.LeaveOut("R's variance of the log-rank is singular");
    }
    EXPECT_EQ(ours->test.degrees_of_freedom, theirs.at("df"));
    tally_.Compare(name + " statistic", ours->test.statistic, theirs.at("statistic").get<double>(),
                   kClosedForm);
    ASSERT_TRUE(ours->test.p_value.has_value());
    tally_.Compare(name + " p", *ours->test.p_value, theirs.at("p").get<double>(), kProbability);
  };
  ForEachDataSet([&](const Units& units, const json& figures) {
    check(units, figures.at("log_rank"), st::Stratification::kNone, "log_rank");
    check(units, figures.at("log_rank_stratified"), st::Stratification::kByBlock,
          "log_rank_stratified_by_block");
  });
  EXPECT_GE(tally_.comparisons("log_rank p"), 200);
  EXPECT_GE(tally_.comparisons("log_rank_stratified_by_block p"), 150);
}

TEST_F(SurvivalReference, TrendsAgreeWithTheScoreTestOfANumericArm) {
  const auto check = [&](const Units& units, const json& theirs, st::Stratification strata,
                         const std::string& name) {
    const auto log_rank = st::TestLogRank(units.view(), strata);
    ASSERT_TRUE(log_rank.ok()) << log_rank.status();
    std::vector<double> scores;
    for (int arm = 0; arm < units.arms; ++arm) scores.push_back(arm);
    const auto ours = st::TestTrend(*log_rank, scores);
    ASSERT_TRUE(ours.ok()) << ours.status();
    if (theirs.is_null()) return tally_.LeaveOut("R has no score test");
    if (ours->degrees_of_freedom == 0) {
      EXPECT_LT(theirs.get<double>(), 1e-9) << name;
      return tally_.LeaveOut("no event compares two arms");
    }
    tally_.Compare(name, ours->statistic, theirs.get<double>(), kClosedForm);
  };
  ForEachDataSet([&](const Units& units, const json& figures) {
    check(units, figures.at("trend"), st::Stratification::kNone, "trend");
    check(units, figures.at("trend_stratified"), st::Stratification::kByBlock, "trend by block");
  });
  EXPECT_GE(tally_.comparisons("trend"), 200);
  EXPECT_GE(tally_.comparisons("trend by block"), 150);
}

TEST_F(SurvivalReference, PetoPetoAgreesWithSurvdiffRhoOne) {
  ForEachDataSet([&](const Units& units, const json& figures) {
    const json& theirs = figures.at("peto_peto");
    const auto ours = st::TestPetoPeto(units.view());
    ASSERT_TRUE(ours.ok()) << ours.status();
    if (theirs.is_null()) return tally_.LeaveOut("R has no test");
    const auto arm = theirs.at("arm").get<std::vector<std::size_t>>();
    for (std::size_t i = 0; i < arm.size(); ++i) {
      tally_.Compare("peto_peto observed", ours->observed[arm[i]],
                     theirs.at("observed").at(i).get<double>(), kClosedForm);
      tally_.Compare("peto_peto expected", ours->expected[arm[i]],
                     theirs.at("expected").at(i).get<double>(), kClosedForm);
      for (std::size_t j = 0; j < arm.size(); ++j) {
        tally_.Compare("peto_peto covariance",
                       ours->covariance[arm[i] * static_cast<std::size_t>(units.arms) + arm[j]],
                       theirs.at("covariance").at(i * arm.size() + j).get<double>(), kClosedForm);
      }
    }
    if (theirs.at("statistic").is_null()) return tally_.LeaveOut("R's variance is singular");
    tally_.Compare("peto_peto statistic", ours->test.statistic,
                   theirs.at("statistic").get<double>(), kClosedForm);
  });
  EXPECT_GE(tally_.comparisons("peto_peto statistic"), 200);
}

TEST_F(SurvivalReference, DriftingHazardRatiosAgreeWithCoxZph) {
  const auto check = [&](const Units& units, const json& theirs, st::Stratification strata,
                         st::TimeScale scale, const std::string& name) {
    const auto ours = st::TestProportionalHazards(units.view(), 0, strata, scale);
    ASSERT_TRUE(ours.ok()) << ours.status();
    if (theirs.is_null()) return tally_.LeaveOut("R has no finite fit");
    if (ours->fit != st::FitStatus::kConverged) return tally_.LeaveOut("no finite fit");
    if (!ours->global) return tally_.LeaveOut("the events give nothing to tell a drift by");
    const json& statistic = theirs.at("statistic");
    ASSERT_EQ(statistic.size(), static_cast<std::size_t>(units.arms)) << name;
    for (std::size_t arm = 1; arm < ours->arm.size(); ++arm) {
      ASSERT_TRUE(ours->arm[arm].has_value()) << name;
      tally_.Compare(name, ours->arm[arm]->statistic, statistic.at(arm - 1).get<double>(),
                     kIterative);
    }
    tally_.Compare(name + " global", ours->global->statistic,
                   statistic.at(ours->arm.size() - 1).get<double>(), kIterative);
    tally_.Compare(name + " p", *ours->global->p_value,
                   theirs.at("p").at(ours->arm.size() - 1).get<double>(), kIterative);
  };
  using st::Stratification;
  using st::TimeScale;
  ForEachDataSet([&](const Units& units, const json& figures) {
    check(units, figures.at("zph_km"), Stratification::kNone, TimeScale::kKaplanMeier, "km");
    check(units, figures.at("zph_identity"), Stratification::kNone, TimeScale::kIdentity, "days");
    check(units, figures.at("zph_km_stratified"), Stratification::kByBlock, TimeScale::kKaplanMeier,
          "km by block");
    check(units, figures.at("zph_identity_stratified"), Stratification::kByBlock,
          TimeScale::kIdentity, "days by block");
  });
  EXPECT_GE(tally_.comparisons("km global"), 200);
  EXPECT_GE(tally_.comparisons("km by block global"), 150);
}

class CoxReference : public SurvivalReference {
 protected:
  void Check(const Units& units, const json& theirs, const st::CoxOptions& options,
             const std::string& name) {
    const auto ours = st::FitCox(units.view(), 0, options);
    ASSERT_TRUE(ours.ok()) << ours.status();
    if (theirs.is_null()) return tally_.LeaveOut("no events or only one arm");
    if (theirs.at("failed").get<bool>()) return tally_.LeaveOut("R refuses to fit");
    tally_.Compare(name + " null log-likelihood", ours->log_likelihood_null,
                   theirs.at("null").get<double>(), kClosedForm);
    ASSERT_NE(ours->status, st::FitStatus::kNotConverged);
    if (ours->status == st::FitStatus::kNotEstimable) {
      return tally_.LeaveOut("nothing can be estimated");
    }
    tally_.Compare(name + " log-likelihood", ours->log_likelihood,
                   theirs.at("loglik").get<double>(), kIterative);
    const auto arm = theirs.at("arm").get<std::vector<std::size_t>>();
    const bool all_arms = arm.size() == static_cast<std::size_t>(units.arms);
    if (all_arms) {
      EXPECT_EQ(ours->status == st::FitStatus::kConverged, theirs.at("finite").get<bool>())
          << name << " in " << Name() << ": " << ours->reason;
    }
    if (ours->status != st::FitStatus::kConverged || !all_arms) {
      return tally_.LeaveOut("not all coefficients are finite; log-likelihoods compared");
    }
    CheckFigures(*ours, theirs, name);
  }

  virtual std::string Name() const { return "this data set"; }

 private:
  void CheckFigures(const st::CoxFit& ours, const json& theirs, const std::string& name) {
    const std::size_t arms = ours.state.size();
    const std::size_t width = arms - 1;
    const bool robust = !theirs.at("robust").is_null();
    for (std::size_t i = 0; i < width; ++i) {
      tally_.Compare(name + " coefficient", ours.coefficient[i + 1],
                     theirs.at("coefficient").at(i).get<double>(), kIterative);
      for (std::size_t j = 0; j < width; ++j) {
        const std::size_t ij = (i + 1) * arms + j + 1;
        tally_.Compare(name + " covariance", ours.covariance[ij],
                       theirs.at("covariance").at(i * width + j).get<double>(), kIterative);
        if (robust && ours.robust_covariance) {
          tally_.Compare(name + " robust covariance", (*ours.robust_covariance)[ij],
                         theirs.at("robust").at(i * width + j).get<double>(), kIterative);
        }
      }
    }
    ASSERT_TRUE(ours.score.has_value());
    if (!theirs.at("score").is_null()) {
      tally_.Compare(name + " score test", ours.score->statistic, theirs.at("score").get<double>(),
                     kIterative);
    }
    if (ours.wald && (!robust || ours.robust_covariance)) {
      tally_.Compare(name + " Wald test", ours.wald->statistic, theirs.at("wald").get<double>(),
                     kIterative);
    }
    if (robust && !ours.robust_covariance) {
      EXPECT_FALSE(ours.reason.empty());
      tally_.LeaveOut("robust errors need more blocks; R prints them all the same");
    }
  }
};

TEST_F(CoxReference, StratifiedFitsAgreeWithCoxphForAllTies) {
  ForEachDataSet([&](const Units& units, const json& figures) {
    Check(units, figures.at("cox_exact_stratified"), {.ties = st::Ties::kExact},
          "cox_stratified_by_block exact");
    Check(units, figures.at("cox_efron_stratified"), {.ties = st::Ties::kEfron},
          "cox_stratified_by_block efron");
    Check(units, figures.at("cox_breslow_stratified"), {.ties = st::Ties::kBreslow},
          "cox_stratified_by_block breslow");
  });
  EXPECT_GE(tally_.comparisons("cox_stratified_by_block exact coefficient"), 150);
}

TEST_F(CoxReference, FitsWithoutStrataAgreeWithCoxphAndItsClusterErrors) {
  ForEachDataSet([&](const Units& units, const json& figures) {
    st::CoxOptions options{.ties = st::Ties::kExact, .strata = st::Stratification::kNone};
    Check(units, figures.at("cox_exact"), options, "cox exact");
    options.cluster_robust = true;
    options.ties = st::Ties::kEfron;
    Check(units, figures.at("cox_efron_robust"), options, "cox_cluster_robust efron");
    options.ties = st::Ties::kBreslow;
    Check(units, figures.at("cox_breslow_robust"), options, "cox_cluster_robust breslow");
  });
  EXPECT_GE(tally_.comparisons("cox_cluster_robust efron robust covariance"), 200);
}

TEST_F(SurvivalReference, FirstInBlockAgreesWithAPlainReadingOfItsDefinition) {
  ForEachDataSet([&](const Units& units, const json& figures) {
    const auto ours = st::CountFirstInBlock(units.view(), 1, 0);
    ASSERT_TRUE(ours.ok()) << ours.status();
    const json& theirs = figures.at("first");
    EXPECT_EQ(ours->arm_first, theirs.at("arm"));
    EXPECT_EQ(ours->against_first, theirs.at("against"));
    EXPECT_EQ(ours->tied, theirs.at("tied"));
    EXPECT_EQ(ours->unknown, theirs.at("unknown"));
    EXPECT_EQ(ours->unequal, theirs.at("unequal"));
  });
}

}  // namespace
}  // namespace plumule::reference
