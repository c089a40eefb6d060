// Randomization within blocks, against all assignments listed in R, and against coin.
#include <gtest/gtest.h>

#include <cstdint>
#include <string>
#include <vector>

#include "plugins/stats/randomization.h"
#include "plugins/stats/restricted_mean.h"
#include "tests/reference/references.h"
#include "tests/reference/tally.h"

namespace plumule::reference {
namespace {

using nlohmann::json;
namespace st = plumule::stats;

TEST(RandomizationReference, ExactPValuesAgreeWithAllAssignmentsAndWithCoin) {
  Tally tally;
  for (const json& figures : References().at("tests")) {
    tally.Enter(figures.at("name").get<std::string>());
    const auto score = figures.at("score").get<std::vector<double>>();
    const auto treated = figures.at("treated").get<std::vector<std::uint8_t>>();
    const auto block = figures.at("block").get<std::vector<std::int32_t>>();
    const auto ours =
        st::TestRandomizationWithinBlock({.score = score, .treated = treated, .block = block}, {});
    ASSERT_TRUE(ours.ok()) << ours.status();
    EXPECT_TRUE(ours->exact);
    tally.Compare("arrangements", ours->arrangements, figures.at("arrangements").get<double>(),
                  kClosedForm);
    // Without a p-value nothing can be exchanged, or all that can is alike.
    tally.Compare("p-value, listed", ours->p_value.value_or(1), figures.at("p").get<double>(),
                  kClosedForm);
    const auto coin = Maybe(figures.at("coin"));
    if (coin) {
      tally.Compare("p-value, coin", ours->p_value.value_or(1), *coin, kClosedForm);
    } else {
      tally.LeaveOut("coin has no exact p-value of these scores");
    }
  }
  tally.Print();
  EXPECT_GE(tally.comparisons("p-value, listed"), 300);
  EXPECT_GE(tally.comparisons("p-value, coin"), 100);
}

TEST(RandomizationReference, PooledScoresAgreeWithResidualsOfSurvfit) {
  Tally tally;
  for (const json& figures : References().at("scores")) {
    tally.Enter(figures.at("name").get<std::string>());
    const auto ours = st::RestrictedMeanScores(figures.at("time").get<std::vector<double>>(),
                                               figures.at("event").get<std::vector<std::uint8_t>>(),
                                               figures.at("tau").get<double>());
    ASSERT_TRUE(ours.ok()) << ours.status();
    for (std::size_t i = 0; i < ours->size(); ++i) {
      tally.Compare("score", (*ours)[i], figures.at("score").at(i).get<double>(), kClosedForm);
    }
  }
  tally.Print();
  EXPECT_GE(tally.comparisons("score"), 4000);
}

}  // namespace
}  // namespace plumule::reference
