// What studies are expected to show, against R listing every fate of a block.
#include <gtest/gtest.h>

#include <string>

#include "plugins/stats/survival_plan.h"
#include "tests/reference/references.h"
#include "tests/reference/tally.h"

namespace plumule::reference {
namespace {

using nlohmann::json;
namespace st = plumule::stats;

// Averages over the frailty by two rules of quadrature: 12 digits of each moment, of which
// differences of nearly equal ones keep fewer.
constexpr Tolerance kIntegrated{.relative = 1e-8, .zero = 1e-10};

st::SurvivalDesign DesignOf(const json& design) {
  return {.control_median = design.at("median"),
          .hazard_ratio = design.at("ratio"),
          .shape = design.at("shape"),
          .control_never = design.at("control_never"),
          .treatment_never = design.at("treatment_never"),
          .block_variance = design.at("theta"),
          .loss_share = design.at("loss"),
          .block_loss_share = design.at("silent"),
          .units_per_arm = design.at("m"),
          .shortest_follow_up = design.at("shortest"),
          .longest_follow_up = design.at("longest"),
          .look_days = design.at("look"),
          .horizon = design.at("horizon")};
}

void ComparePlan(const st::ExpectedDesign& expected, st::PlannedTest test, const json& theirs,
                 Tally& tally) {
  const auto power = st::PowerWith(expected, test, 60);
  ASSERT_TRUE(power.ok()) << power.status();
  tally.Compare("power with 60 blocks", power->value, Maybe(theirs.at("power")), kIntegrated);
  const auto blocks = st::BlocksFor(expected, test, 0.8);
  ASSERT_TRUE(blocks.ok()) << blocks.status();
  if (theirs.at("blocks").is_null()) {
    tally.LeaveOut("R looks no further than 200,000 blocks");
    return;
  }
  tally.Compare("blocks for power 0.8", blocks->value, Maybe(theirs.at("blocks")), kIntegrated);
}

TEST(PlanningReference, ExpectationsAreThoseOfEveryFateOfABlock) {
  Tally tally;
  for (const json& figures : References().at("designs")) {
    tally.Enter(figures.at("name").get<std::string>());
    const auto expected = st::Expect(DesignOf(figures.at("design")));
    ASSERT_TRUE(expected.ok()) << expected.status();
    const json& theirs = figures.at("expected");
    const auto compare = [&](const char* name, double ours, Tolerance tolerance) {
      tally.Compare(name, ours, theirs.at(name).get<double>(), tolerance);
    };
    compare("control_mean", expected->control.restricted_mean, kClosedForm);
    compare("treatment_mean", expected->treatment.restricted_mean, kClosedForm);
    compare("control_reached", expected->control.reached, kClosedForm);
    compare("treatment_reached", expected->treatment.reached, kClosedForm);
    compare("control_events", expected->control.events, kClosedForm);
    compare("treatment_events", expected->treatment.events, kClosedForm);
    compare("difference_variance", expected->difference_variance, kIntegrated);
    compare("log_rank_mean", expected->log_rank_mean, kIntegrated);
    compare("log_rank_variance", expected->log_rank_variance, kIntegrated);
    compare("log_rank_information", expected->log_rank_information, kIntegrated);
    ComparePlan(*expected, st::PlannedTest::kRestrictedMeanDifference, figures.at("days"), tally);
    ComparePlan(*expected, st::PlannedTest::kLogRankByBlock, figures.at("ranks"), tally);
  }
  tally.Print();
  EXPECT_GE(tally.comparisons("difference_variance"), 200);
  EXPECT_GE(tally.comparisons("power with 60 blocks"), 400);
  EXPECT_GE(tally.comparisons("blocks for power 0.8"), 400);
}

}  // namespace
}  // namespace plumule::reference
