#include "plugins/pooled-effects/pooled_effects.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <array>
#include <cmath>

#include "tests/unit/plugins/study_table.h"

namespace plumule {
namespace {

using ::testing::HasSubstr;

constexpr double kDigits = 5e-7;  // references are printed to six decimals

plugin::v1::SynthesizeRequest Effects(const std::vector<std::pair<double, double>>& effects,
                                      const std::string& measure = "restricted_mean_difference",
                                      const std::string& unit = "d") {
  plugin::v1::SynthesizeRequest request;
  request.set_measure(measure);
  request.set_unit(unit);
  for (std::size_t i = 0; i < effects.size(); ++i) {
    auto& study = *request.add_studies();
    study.set_study("study " + std::to_string(i + 1));
    study.set_effect(effects[i].first);
    study.set_variance(effects[i].second);
  }
  return request;
}

// BCG vaccine against tuberculosis, 13 trials: Colditz GA et al. (1994), JAMA 271:698; the data set
// dat.bcg of R's metadat 1.2, reference values from R's metafor.
plugin::v1::SynthesizeRequest Bcg() {
  constexpr std::array<std::array<int, 4>, 13> kCounts = {{{4, 119, 11, 128},
                                                           {6, 300, 29, 274},
                                                           {3, 228, 11, 209},
                                                           {62, 13536, 248, 12619},
                                                           {33, 5036, 47, 5761},
                                                           {180, 1361, 372, 1079},
                                                           {8, 2537, 10, 619},
                                                           {505, 87886, 499, 87892},
                                                           {29, 7470, 45, 7232},
                                                           {17, 1699, 65, 1600},
                                                           {186, 50448, 141, 27197},
                                                           {5, 2493, 3, 2338},
                                                           {27, 16886, 29, 17825}}};
  plugin::v1::SynthesizeRequest request;
  request.set_measure("log_risk_ratio");
  request.set_unit("1");
  for (std::size_t i = 0; i < kCounts.size(); ++i) {
    auto& study = *request.add_studies();
    study.set_study("trial " + std::to_string(i + 1));
    study.mutable_counts()->set_events_treated(kCounts[i][0]);
    study.mutable_counts()->set_n_treated(kCounts[i][0] + kCounts[i][1]);
    study.mutable_counts()->set_events_control(kCounts[i][2]);
    study.mutable_counts()->set_n_control(kCounts[i][2] + kCounts[i][3]);
  }
  return request;
}

void SetChoice(plugin::v1::SynthesizeRequest& request, const std::string& name,
               const std::string& code) {
  auto& parameter = *request.add_parameters();
  parameter.set_name(name);
  parameter.mutable_value()->mutable_choice()->add_codes(code);
}

analysis::v1::Result Synthesize(const plugin::v1::SynthesizeRequest& request) {
  return tests::Accepted(
      pooled_effects::Synthesize(tests::ReadManifest("pooled-effects"), request, tests::Quiet()));
}

TEST(PooledEffects, AgreesWithThePublishedBcgSynthesis) {
  const auto result = Synthesize(Bcg());
  EXPECT_EQ(result.status(), analysis::v1::RESULT_STATUS_ANSWERED);
  const auto* reml = tests::FindEstimate(result, "pooled_effect", "reml");
  ASSERT_NE(reml, nullptr);
  EXPECT_NEAR(reml->value(), -0.714532, kDigits);
  EXPECT_NEAR(reml->standard_error(), 0.179782, kDigits);
  const auto* hartung_knapp = tests::FindEstimate(result, "pooled_effect", "reml_hartung_knapp");
  ASSERT_NE(hartung_knapp, nullptr);
  EXPECT_EQ(&result.estimates(0), hartung_knapp);
  EXPECT_NEAR(hartung_knapp->standard_error(), 0.180792, kDigits);
  EXPECT_NEAR(hartung_knapp->lower(), -1.108444, kDigits);
  EXPECT_NEAR(hartung_knapp->upper(), -0.320621, kDigits);
  const auto* common = tests::FindEstimate(result, "pooled_effect", "inverse_variance_common");
  ASSERT_NE(common, nullptr);
  EXPECT_NEAR(common->value(), -0.430285, kDigits);
  EXPECT_NEAR(common->standard_error(), 0.040499, kDigits);
  EXPECT_NEAR(tests::FindEstimate(result, "tau_squared", "reml")->value(), 0.313243, kDigits);
  EXPECT_NEAR(tests::FindEstimate(result, "i_squared", "reml")->value(), 92.2214, 5e-5);
  EXPECT_NEAR(tests::FindTest(result, "cochran_q")->statistic(), 152.23301, 5e-6);
  const auto* prediction = tests::FindEstimate(result, "prediction_interval", "t_k_minus_2");
  ASSERT_NE(prediction, nullptr);
  EXPECT_NEAR(prediction->lower(), -2.00838, 5e-6);
  EXPECT_NEAR(prediction->upper(), 0.579311, kDigits);
}

TEST(PooledEffects, TakesTheMethodsAskedFor) {
  auto request = Bcg();
  SetChoice(request, "tau2_method", "dersimonian_laird");
  SetChoice(request, "interval", "z");
  SetChoice(request, "prediction", "normal");
  const auto result = Synthesize(request);
  const auto& pooled = result.estimates(0);
  EXPECT_EQ(pooled.method(), "dersimonian_laird");
  EXPECT_NEAR(pooled.value(), -0.714117, kDigits);
  EXPECT_NEAR(pooled.standard_error(), 0.178742, kDigits);
  EXPECT_NEAR(tests::FindEstimate(result, "tau_squared", "dersimonian_laird")->value(), 0.308760,
              kDigits);
}

TEST(PooledEffects, NormalPredictionIntervalAgreesWithThePublishedOne) {
  auto request = Bcg();
  SetChoice(request, "prediction", "normal");
  const auto result = Synthesize(request);
  const auto* prediction = tests::FindEstimate(result, "prediction_interval", "normal");
  EXPECT_NEAR(prediction->lower(), -1.8667, 5e-5);
  EXPECT_NEAR(prediction->upper(), 0.4376, 5e-5);
}

TEST(PooledEffects, SaysRatiosAsRatios) {
  const auto result = Synthesize(Bcg());
  const std::string words = tests::Findings(result);
  EXPECT_THAT(words, HasSubstr("Over 13 studies the share that makes it with the arm was 0.49 "
                               "times that with the control (95 % interval 0.33 to 0.73)"));
  EXPECT_THAT(words, HasSubstr("92 % is more than chance"));
  const auto* ratio = tests::FindEstimate(result, "pooled_ratio", "reml_hartung_knapp");
  ASSERT_NE(ratio, nullptr);
  EXPECT_DOUBLE_EQ(ratio->value(), std::exp(result.estimates(0).value()));
}

TEST(PooledEffects, SaysDifferencesWithTheirDirection) {
  const auto result =
      Synthesize(Effects({{-3.1, 0.5}, {-2.4, 0.4}, {-3.6, 0.9}, {-2.9, 0.3}, {-3.3, 0.7}}));
  const std::string words = tests::Findings(result);
  EXPECT_THAT(words, HasSubstr("the difference in mean days to the threshold, arm less control"));
  EXPECT_THAT(words, HasSubstr("the arm is sooner than the control"));
  EXPECT_EQ(tests::FindEstimate(result, "pooled_ratio", "reml_hartung_knapp"), nullptr);
}

TEST(PooledEffects, ListsWeightsThatAddUpToOneAndEachStudyLeftOut) {
  const auto result = Synthesize(Bcg());
  ASSERT_EQ(result.tables_size(), 2);
  double sum = 0;
  for (const auto& row : result.tables(0).rows()) sum += row.cells(6).number();
  EXPECT_NEAR(sum, 1, 1e-12);
  EXPECT_EQ(result.tables(1).id(), "leave_one_out");
  EXPECT_EQ(result.tables(1).rows_size(), 13);
}

TEST(PooledEffects, OneStudyIsShownWithoutASpread) {
  const auto result = Synthesize(Effects({{-3, 1}}));
  EXPECT_EQ(result.status(), analysis::v1::RESULT_STATUS_PARTLY);
  EXPECT_TRUE(tests::HasWarning(result, "one_study"));
  EXPECT_DOUBLE_EQ(result.estimates(0).value(), -3);
  EXPECT_EQ(tests::FindEstimate(result, "tau_squared", "reml"), nullptr);
  EXPECT_THAT(tests::Findings(result), HasSubstr("In the one study"));
}

TEST(PooledEffects, TwoStudiesGetTheNormalIntervalAndAWarning) {
  const auto result = Synthesize(Effects({{-3, 1}, {-2, 1}}));
  EXPECT_TRUE(tests::HasWarning(result, "two_studies"));
  EXPECT_EQ(result.estimates(0).method(), "reml");
  EXPECT_TRUE(tests::HasWarning(result, "no_prediction_interval"));
}

TEST(PooledEffects, ZeroCellsGetOneHalfAndAreSaid) {
  auto request = Bcg();
  request.mutable_studies(0)->mutable_counts()->set_events_treated(0);
  EXPECT_TRUE(tests::HasWarning(Synthesize(request), "zero_cells"));
}

TEST(PooledEffects, StudiesThatAgreeHaveNoVarianceBetweenThem) {
  const auto result = Synthesize(Effects({{1, 1}, {1, 1}, {1, 1}}));
  EXPECT_EQ(tests::FindEstimate(result, "tau_squared", "reml")->value(), 0);
  EXPECT_EQ(tests::FindTest(result, "cochran_q")->statistic(), 0);
}

TEST(PooledEffects, GroupsArePooledApartAndCompared) {
  auto request = Effects({{-3, 0.5}, {-2, 0.5}, {-2.5, 0.4}, {1, 0.5}, {2, 0.5}, {1.5, 0.4}});
  for (int i = 0; i < 6; ++i) request.mutable_studies(i)->set_group(i < 3 ? "north" : "south");
  const auto result = Synthesize(request);
  const auto* north = tests::FindEstimate(result, "pooled_effect", "reml_hartung_knapp", "", "",
                                          std::nullopt, "group=north");
  ASSERT_NE(north, nullptr);
  EXPECT_NEAR(north->value(), -2.5, 1e-9);
  const auto* between = tests::FindTest(result, "between_groups");
  ASSERT_NE(between, nullptr);
  // Groups of mean −2.5 and 1.5, each with Σw = 2/0.5 + 1/0.4 = 6.5: Q = 6.5/2 · 4² = 52.
  EXPECT_NEAR(between->statistic(), 52, 1e-6);
  EXPECT_EQ(between->df(), 1);
}

TEST(PooledEffects, RefusesEveryUnusableStudyAtOnce) {
  auto request = Effects({{1, 1}, {2, -1}, {3, 1}});
  request.mutable_studies(2)->set_study("study 1");
  request.add_studies()->set_study("empty");
  const auto result =
      pooled_effects::Synthesize(tests::ReadManifest("pooled-effects"), request, tests::Quiet());
  ASSERT_EQ(result.status().code(), absl::StatusCode::kInvalidArgument);
  const std::string words(result.status().message());
  EXPECT_THAT(words, HasSubstr("study study 2: the variance must be above 0"));
  EXPECT_THAT(words, HasSubstr("study study 1: the name is given twice"));
  EXPECT_THAT(words, HasSubstr("study empty: effect and variance"));
}

TEST(PooledEffects, RefusesCountsWithAMeasureTheyCannotGive) {
  auto request = Bcg();
  request.set_measure("log_hazard_ratio");
  const auto result =
      pooled_effects::Synthesize(tests::ReadManifest("pooled-effects"), request, tests::Quiet());
  EXPECT_EQ(result.status().code(), absl::StatusCode::kInvalidArgument);
}

}  // namespace
}  // namespace plumule
