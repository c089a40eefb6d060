// The ratio of times by accelerated failure models.
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
using tests::FindTest;
using tests::HasWarning;
using tests::Reached;
using tests::Unfinished;
using tests::UnitRow;

analysis::v1::Result Analyze(const std::vector<UnitRow>& rows, const std::string& model = "") {
  auto setup = tests::MakeSetup("on", {"off"});
  if (!model.empty()) {
    auto* parameter = setup.mutable_analysis()->add_parameters();
    parameter->set_name("time_model");
    parameter->mutable_value()->mutable_choice()->add_codes(model);
  }
  return tests::Accepted(time_to_threshold::Analyze(tests::ReadManifest("time-to-threshold"),
                                                    tests::MakeInput(setup, rows), tests::Quiet()));
}

// Invented: "off" takes two thirds of the time of "on" in each of 20 blocks.
std::vector<UnitRow> TwoThirds() {
  std::vector<UnitRow> rows;
  for (int i = 0; i < 20; ++i) {
    const std::string block = absl::StrCat("grower ", i);
    const int day = 12 + 3 * (i % 7);
    rows.push_back(Reached(block, "1", "on", day));
    rows.push_back(Reached(block, "2", "off", day * 2 / 3));
  }
  return rows;
}

TEST(TimeRatios, AreThatByWhichTheTreatmentShrinksTimes) {
  for (const char* model : {"weibull", "lognormal", "loglogistic"}) {
    const auto result = Analyze(TwoThirds(), model);
    const auto* ratio = FindEstimate(result, "time_ratio", absl::StrCat("aft_", model), "off");
    ASSERT_NE(ratio, nullptr) << model;
    // Looks are a day apart, so the true times lie up to a day before the days seen.
    EXPECT_GT(ratio->value(), 7.0 / 11) << model;
    EXPECT_LT(ratio->value(), 2.0 / 3) << model;
    EXPECT_LT(ratio->lower(), ratio->value());
    EXPECT_GT(ratio->upper(), ratio->value());
    EXPECT_EQ(ratio->scale(), "log");
    EXPECT_EQ(ratio->blocks(), 20);
    ASSERT_NE(FindTest(result, "time_ratio", "off", "normal"), nullptr);
  }
}

TEST(TimeRatios, ComeByTheWeibullModelWhereTheProtocolSaysNothing) {
  const auto result = Analyze(TwoThirds());
  EXPECT_NE(FindEstimate(result, "time_ratio", "aft_weibull", "off"), nullptr);
  EXPECT_EQ(FindEstimate(result, "time_ratio", "aft_lognormal", "off"), nullptr);
}

TEST(TimeRatios, AreTabledWithTheFitOfAllModels) {
  const auto result = Analyze(TwoThirds());
  for (const auto& table : result.tables()) {
    if (table.id() != "time_models") continue;
    ASSERT_EQ(table.rows_size(), 3);
    EXPECT_EQ(table.columns(1), "AIC");
    for (const auto& row : table.rows()) {
      EXPECT_NEAR(row.cells(1).number(), 2 * 3 - 2 * row.cells(2).number(), 1e-9);
    }
    return;
  }
  ADD_FAILURE() << "no table time_models";
}

bool ModelIsDoubtful(const analysis::v1::Result& result) {
  for (const auto& assumption : result.assumptions()) {
    if (assumption.what().find("ratio of times") == std::string::npos) continue;
    return assumption.verdict() == analysis::v1::VERDICT_DOUBTFUL;
  }
  ADD_FAILURE() << "no assumption about the ratio of times";
  return false;
}

TEST(TimeRatios, AreDoubtfulWhereAnotherModelFitsFarBetter) {
  // Most within a few days, one in ten far later: no Weibull shape holds both.
  std::vector<UnitRow> rows;
  constexpr int kDays[] = {19, 20, 21, 22, 22, 23, 23, 24, 25, 300};
  for (int i = 0; i < 60; ++i) {
    const std::string block = absl::StrCat("grower ", i);
    rows.push_back(Reached(block, "1", "on", kDays[i % 10]));
    rows.push_back(Reached(block, "2", "off", kDays[(i + 3) % 10] + 1));
  }
  EXPECT_TRUE(ModelIsDoubtful(Analyze(rows, "weibull")));
  EXPECT_FALSE(ModelIsDoubtful(Analyze(rows, "loglogistic")));
}

TEST(TimeRatios, SayWhyThereAreNone) {
  std::vector<UnitRow> alike;
  for (int i = 0; i < 8; ++i) {
    const std::string block = absl::StrCat("grower ", i);
    alike.push_back(Reached(block, "1", "on", 10));
    alike.push_back(Reached(block, "2", "off", 8));
  }
  EXPECT_TRUE(HasWarning(Analyze(alike), "times_without_spread"));

  auto never = TwoThirds();
  for (auto& row : never) {
    if (row.arm == "off") row = Unfinished(row.block, row.unit, row.arm, 40, "not_reached");
  }
  const auto result = Analyze(never);
  EXPECT_TRUE(HasWarning(result, "time_ratio_not_estimable"));
  const auto* ratio = FindEstimate(result, "time_ratio", "aft_weibull", "off");
  ASSERT_NE(ratio, nullptr);
  EXPECT_FALSE(ratio->has_value());
}

}  // namespace
}  // namespace plumule
