#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plugins/time-to-threshold/time_to_threshold.h"
#include "tests/unit/plugins/study_table.h"

namespace plumule {
namespace {

using tests::FindEstimate;
using tests::UnitRow;

// Invented: growers with one seed an arm, looked at every `step` days; the control 4 days later.
std::vector<UnitRow> Growers(int step) {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 20; ++i) {
    for (const int late : {0, 4}) {
      const double from = step * ((9 + i * 7 % 11 + late) / step);
      rows.push_back({.block = absl::StrCat("grower ", i),
                      .unit = absl::StrCat(late),
                      .arm = late == 0 ? "on" : "off",
                      .lower = from,
                      .upper = from + step});
    }
  }
  return rows;
}

analysis::v1::Result Analyze(const std::vector<UnitRow>& rows) {
  return tests::Accepted(time_to_threshold::Analyze(
      tests::ReadManifest("time-to-threshold"),
      tests::MakeInput(tests::MakeSetup("off", {"on"}), rows), tests::Quiet()));
}

// Looks that divide time alike for all units are no news beside the days first seen.
TEST(BetweenLooks, SameDaysOfLooksGiveTheKaplanMeierFigures) {
  const auto result = Analyze(Growers(1));
  int compared = 0;
  for (const auto& estimate : result.estimates()) {
    if (estimate.method() != "turnbull") continue;
    const auto* other =
        FindEstimate(result, estimate.measure(), "kaplan_meier", estimate.arm(), "", estimate.at());
    ASSERT_NE(other, nullptr);
    EXPECT_EQ(estimate.has_value(), other->has_value());
    EXPECT_NEAR(estimate.value(), other->value(), 1e-9);
    EXPECT_EQ(estimate.events(), other->events());
    EXPECT_EQ(estimate.units(), other->units());
    EXPECT_FALSE(estimate.has_lower() || estimate.has_upper() || estimate.has_standard_error());
    EXPECT_EQ(estimate.standing(), analysis::v1::STANDING_SENSITIVITY);
    ++compared;
  }
  EXPECT_EQ(compared, 2 * (4 + 3));
  EXPECT_FALSE(tests::HasWarning(result, "day_between_looks"));
}

// One grower looked at days 4 and 30 only: the day first seen is 30, yet the seed may well have
// sprouted when those of the others did.
TEST(BetweenLooks, LongGapsDoNotMakeUnitsLate) {
  auto rows = Growers(2);
  for (UnitRow& row : rows) {
    if (row.block < "grower 12") continue;
    row.lower = 4;
    row.upper = 30;
  }
  const auto result = Analyze(rows);
  const auto* first_seen = FindEstimate(result, "days_to_quantile", "kaplan_meier", "on", "", 0.75);
  const auto* likely = FindEstimate(result, "days_to_quantile", "turnbull", "on", "", 0.75);
  ASSERT_NE(likely, nullptr);
  EXPECT_EQ(first_seen->value(), 30);
  EXPECT_LT(likely->value(), 21);
}

TEST(BetweenLooks, DaysThatNoLookDividesAreSaidToBeBetweenLooks) {
  auto rows = Growers(7);
  rows.back().upper = 40;
  const auto result = Analyze(rows);
  EXPECT_TRUE(tests::HasWarning(result, "day_between_looks"));
}

TEST(BetweenLooks, SaysWhenSoManyNeverReachedIt) {
  auto rows = Growers(2);
  for (UnitRow& row : rows) {
    if (row.arm == "on" && row.block != "grower 3") {
      row = tests::Unfinished(row.block, row.unit, row.arm, 40);
    }
  }
  const auto result = Analyze(rows);
  const auto* never = FindEstimate(result, "days_to_quantile", "turnbull", "on", "", 0.75);
  ASSERT_NE(never, nullptr);
  EXPECT_FALSE(never->has_value());
  EXPECT_TRUE(tests::HasWarning(result, "quantile_not_reached"));
}

TEST(BetweenLooks, ExactDaysNeedNoSuchFigures) {
  auto rows = Growers(2);
  for (UnitRow& row : rows) row.lower = *row.upper;
  const auto result = Analyze(rows);
  for (const auto& estimate : result.estimates()) EXPECT_NE(estimate.method(), "turnbull");
}

}  // namespace
}  // namespace plumule
