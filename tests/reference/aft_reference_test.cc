// Accelerated failure time models over interval-censored times, against R's survreg and against
// scores derived from R's distribution functions.
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <limits>
#include <map>
#include <string>
#include <vector>

#include "plugins/stats/accelerated_failure.h"
#include "tests/reference/references.h"
#include "tests/reference/tally.h"

namespace plumule::reference {
namespace {

using nlohmann::json;
namespace st = plumule::stats;

// Entries of a covariance may be 0 in theory; what counts is their size beside the variances.
void CompareMatrices(const std::string& name, const std::vector<double>& ours, const json& theirs,
                     Tally& tally) {
  const auto expected = theirs.get<std::vector<double>>();
  ASSERT_EQ(ours.size(), expected.size());
  const auto width = static_cast<std::size_t>(std::lround(std::sqrt(ours.size())));
  for (std::size_t i = 0; i < width; ++i) {
    for (std::size_t j = 0; j < width; ++j) {
      const double size = std::sqrt(expected[i * width + i] * expected[j * width + j]);
      tally.Compare(name, 1 + ours[i * width + j] / size, 1 + expected[i * width + j] / size,
                    kIterative);
    }
  }
}

TEST(AcceleratedFailureReference, AgreesWithSurvregAndWithScoresDerivedInR) {
  const std::map<std::string, st::TimeModel> models = {
      {"weibull", st::TimeModel::kWeibull},
      {"lognormal", st::TimeModel::kLogNormal},
      {"loglogistic", st::TimeModel::kLogLogistic}};
  Tally tally;
  double worst_dfbeta_sum = 0;
  double worst_own_sum = 0;
  for (const json& figures : References().at("aft")) {
    const auto name = figures.at("name").get<std::string>();
    const auto lower = figures.at("lower").get<std::vector<double>>();
    auto upper = figures.at("upper").get<std::vector<double>>();
    for (double& day : upper) {
      if (day < 0) day = std::numeric_limits<double>::infinity();
    }
    const auto arm = figures.at("arm").get<std::vector<std::int32_t>>();
    const auto block = figures.at("block").get<std::vector<std::int32_t>>();
    const int arms = 1 + *std::max_element(arm.begin(), arm.end());
    for (const json& theirs : figures.at("fits")) {
      const auto model = theirs.at("model").get<std::string>();
      tally.Enter(name + ", " + model);
      const auto fit = st::FitAcceleratedFailure(
          {.lower = lower, .upper = upper, .arm = arm, .block = block, .arms = arms}, 0,
          {.model = models.at(model)});
      ASSERT_TRUE(fit.ok()) << fit.status();
      ASSERT_EQ(fit->status, st::AcceleratedFailureStatus::kConverged) << name << ", " << model;
      const auto location = theirs.at("location").get<std::vector<double>>();
      ASSERT_EQ(fit->location.size(), location.size());
      for (std::size_t i = 0; i < location.size(); ++i) {
        tally.Compare("location", fit->location[i], location[i], kIterative);
      }
      tally.Compare("log scale", fit->log_scale, theirs.at("log_scale").get<double>(), kIterative);
      tally.Compare("log-likelihood", fit->log_likelihood,
                    theirs.at("log_likelihood").get<double>(), kIterative);
      CompareMatrices("model covariance", fit->covariance, theirs.at("covariance"), tally);
      if (fit->robust_covariance) {
        CompareMatrices("sandwich by block, scores derived in R", *fit->robust_covariance,
                        theirs.at("sandwich"), tally);
        if (theirs.contains("robust") && !theirs.at("robust").is_null() &&
            !theirs.at("robust").empty()) {
          CompareMatrices("sandwich by block, survreg without intervals", *fit->robust_covariance,
                          theirs.at("robust"), tally);
        }
      }
      worst_own_sum = std::max(worst_own_sum, theirs.at("own_sum").get<double>());
      if (const auto& sum = theirs.at("dfbeta_sum"); sum.is_number()) {
        worst_dfbeta_sum = std::max(worst_dfbeta_sum, sum.get<double>());
      }
    }
  }
  tally.Print();
  std::printf(
      "  at the maximum, in standard errors: scores derived in R sum to %.1e at most, the "
      "dfbeta of survreg to %.1e\n",
      worst_own_sum, worst_dfbeta_sum);
  EXPECT_LT(worst_own_sum, 1e-5);
  EXPECT_GE(tally.comparisons("log scale"), 600);
  EXPECT_GE(tally.comparisons("sandwich by block, scores derived in R"), 600);
  EXPECT_GE(tally.comparisons("sandwich by block, survreg without intervals"), 200);
}

}  // namespace
}  // namespace plumule::reference
