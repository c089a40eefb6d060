// Shares reached where losses compete, against R's survfit (errors too) and cmprsk.
#include <gtest/gtest.h>

#include <optional>
#include <string>
#include <vector>

#include "plugins/stats/cumulative_incidence.h"
#include "tests/reference/references.h"
#include "tests/reference/tally.h"

namespace plumule::reference {
namespace {

using nlohmann::json;
namespace st = plumule::stats;

TEST(CompetingReference, SharesReachedAndTheirErrorsAgreeWithSurvfitAndCuminc) {
  Tally tally;
  for (const json& figures : References().at("competing")) {
    tally.Enter(figures.at("name").get<std::string>());
    const auto time = figures.at("time").get<std::vector<double>>();
    const auto outcome = figures.at("outcome").get<std::vector<std::uint8_t>>();
    const auto block = figures.at("block").get<std::vector<std::int32_t>>();
    const auto days = figures.at("days").get<std::vector<double>>();
    for (std::size_t i = 0; i < days.size(); ++i) {
      const auto by_unit = st::IncidenceBy({.time = time, .outcome = outcome}, days[i]);
      const auto by_block =
          st::IncidenceBy({.time = time, .outcome = outcome, .block = block}, days[i]);
      ASSERT_TRUE(by_unit.ok()) << by_unit.status();
      ASSERT_TRUE(by_block.ok()) << by_block.status();
      EXPECT_EQ(by_unit->share, by_block->share);
      tally.Compare("share, survfit", by_unit->share, figures.at("share").at(i).get<double>(),
                    kClosedForm);
      const auto other = Maybe(figures.at("other_share").at(i));
      if (other) {
        tally.Compare("share, cuminc", by_unit->share, *other, kClosedForm);
      } else {
        tally.LeaveOut("cuminc has no share past its last event");
      }
      tally.Compare("error by unit", by_unit->standard_error,
                    figures.at("error").at(i).get<double>(), kClosedForm);
      tally.Compare("error by block", by_block->standard_error,
                    figures.at("clustered").at(i).get<double>(), kClosedForm);
    }
  }
  tally.Print();
  EXPECT_GE(tally.comparisons("share, cuminc"), 800);
  EXPECT_GE(tally.comparisons("error by unit"), 800);
  EXPECT_GE(tally.comparisons("error by block"), 800);
}

}  // namespace
}  // namespace plumule::reference
