// Nonparametric maximum likelihood over interval-censored times, against the maximum found and
// checked in R, and the likelihoods that R's survfit and npsurv get to.
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdio>
#include <limits>
#include <string>
#include <vector>

#include "plugins/stats/turnbull.h"
#include "tests/reference/references.h"
#include "tests/reference/tally.h"

namespace plumule::reference {
namespace {

using nlohmann::json;
namespace st = plumule::stats;

TEST(TurnbullReference, FindsTheMaximumThatRFindsAndNoneIsLikelier) {
  Tally tally;
  double worst_excess = 0;
  double survfit_lacks = 0;
  int most_iterations = 0;
  for (const json& figures : References().at("turnbull")) {
    const auto name = figures.at("name").get<std::string>();
    tally.Enter(name);
    const auto lower = figures.at("lower").get<std::vector<double>>();
    auto upper = figures.at("upper").get<std::vector<double>>();
    for (double& day : upper) {
      if (day < 0) day = std::numeric_limits<double>::infinity();
    }
    const auto curves = st::TurnbullByArm({.lower = lower, .upper = upper});
    ASSERT_TRUE(curves.ok()) << curves.status();
    const st::TurnbullCurve& curve = curves->front();
    ASSERT_EQ(curve.status, st::TurnbullStatus::kConverged) << name;
    most_iterations = std::max(most_iterations, curve.iterations);
    worst_excess = std::max(worst_excess, figures.at("excess").get<double>());
    const double best = figures.at("log_likelihood").get<double>();
    tally.Compare("log-likelihood", curve.log_likelihood, best, kClosedForm);
    EXPECT_GE(curve.log_likelihood, figures.at("npsurv").get<double>() - 1e-9) << name;
    const double by_survfit = figures.at("survfit").get<double>();
    EXPECT_GE(curve.log_likelihood, by_survfit - 1e-9) << name;
    survfit_lacks = std::max(survfit_lacks, best - by_survfit);
    const auto day = figures.at("day").get<std::vector<double>>();
    const auto share = figures.at("share").get<std::vector<double>>();
    for (std::size_t i = 0; i < day.size(); ++i) {
      const auto ours = st::ReachedBy(curve, day[i]);
      ASSERT_TRUE(ours.ok()) << ours.status();
      tally.Compare("share reached", ours->share, share[i], kIterative);
    }
  }
  tally.Print();
  std::printf(
      "  most iterations: %d; the log-likelihood of survfit lacks up to %.2g; Fenchel's conditions "
      "fail at R's maximum by %.1e at most\n",
      most_iterations, survfit_lacks, worst_excess);
  EXPECT_LT(worst_excess, 1e-10);
  EXPECT_GE(tally.comparisons("log-likelihood"), 284);
  EXPECT_GE(tally.comparisons("share reached"), 1000);
}

}  // namespace
}  // namespace plumule::reference
