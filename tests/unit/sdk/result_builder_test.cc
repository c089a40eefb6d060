#include "plugins/sdk/result_builder.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <limits>

#include "server/analysis/result_check.h"

namespace plumule::sdk {
namespace {

using analysis::v1::Estimate;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

constexpr double kNaN = std::numeric_limits<double>::quiet_NaN();

Estimate Sooner(double value = -3.46) {
  Estimate estimate;
  estimate.set_measure("restricted_mean_difference");
  estimate.set_method("cluster_robust");
  estimate.set_arm("off");
  estimate.set_against("on");
  estimate.set_value(value);
  estimate.set_lower(-5.8);
  estimate.set_upper(-1.2);
  estimate.set_standard_error(1.1);
  estimate.set_scale("linear");
  estimate.set_level(0.95);
  estimate.set_standing(analysis::v1::STANDING_PRIMARY);
  return estimate;
}

std::string MistakeOf(ResultBuilder& builder) {
  if (builder.Find("x") == nullptr) builder.Say("Said.");
  const auto result = builder.Finish(analysis::v1::RESULT_STATUS_ANSWERED);
  EXPECT_EQ(result.status().code(), absl::StatusCode::kInternal);
  return std::string(result.status().message());
}

TEST(ResultBuilder, WritesNumbersFromEstimatesAndBindsThem) {
  ResultBuilder builder;
  const std::string id = builder.Add(Sooner());
  builder.Say("$0 came $1 days sooner ($2 to $3), $$ included.",
              {std::string("Off"), Number{.source = id, .decimals = 1, .absolute = true},
               Number{.source = id,
                      .field = analysis::v1::QUOTED_FIELD_UPPER,
                      .decimals = 1,
                      .absolute = true},
               Number{.source = id,
                      .field = analysis::v1::QUOTED_FIELD_LOWER,
                      .decimals = 1,
                      .absolute = true}});
  const auto result = builder.Finish(analysis::v1::RESULT_STATUS_ANSWERED);
  ASSERT_TRUE(result.ok()) << result.status();
  EXPECT_EQ(result->findings(0).text(), "Off came 3.5 days sooner (1.2 to 5.8), $ included.");
  ASSERT_EQ(result->findings(0).quotes_size(), 3);
  EXPECT_EQ(result->findings(0).quotes(0).shown(), "3.5");
  EXPECT_EQ(result->findings(0).quotes(0).source(), id);
  EXPECT_THAT(analysis::ResultViolations(*result), IsEmpty());
}

TEST(ResultBuilder, RefusesARepeatedId) {
  ResultBuilder builder;
  builder.Add(Sooner());
  builder.Add(Sooner());
  EXPECT_THAT(MistakeOf(builder), HasSubstr("is used twice"));
}

TEST(ResultBuilder, RefusesAnAbsentNumberWithoutAWarning) {
  ResultBuilder builder;
  auto estimate = Sooner();
  estimate.clear_value();
  builder.Add(estimate, "no_events");
  EXPECT_THAT(MistakeOf(builder), HasSubstr("no warning says why (reason given: \"no_events\")"));
}

TEST(ResultBuilder, MakesNumbersThatAreNotFiniteAbsentOnceAWarningSaysWhy) {
  ResultBuilder builder;
  auto estimate = Sooner(kNaN);
  estimate.set_upper(std::numeric_limits<double>::infinity());
  builder.Add(estimate, "separation");
  builder.Warn("separation", "Every block had the same arm first.");
  builder.Say("Nothing is known.");
  const auto result = builder.Finish(analysis::v1::RESULT_STATUS_PARTLY);
  ASSERT_TRUE(result.ok()) << result.status();
  EXPECT_FALSE(result->estimates(0).has_value());
  EXPECT_FALSE(result->estimates(0).has_upper());
  EXPECT_TRUE(result->estimates(0).has_lower());
}

TEST(ResultBuilder, RefusesQuotesOfNumbersThatAreNotThere) {
  ResultBuilder builder;
  const std::string id = builder.Add(Sooner());
  builder.Say("$0 events.", {Number{.source = id, .field = analysis::v1::QUOTED_FIELD_EVENTS}});
  EXPECT_THAT(MistakeOf(builder), HasSubstr("quotes a number that"));
}

TEST(ResultBuilder, RefusesTemplatesWithoutTheirSlot) {
  ResultBuilder builder;
  builder.Add(Sooner());
  builder.Say("It was $3 days.", {});
  EXPECT_THAT(MistakeOf(builder), HasSubstr("has no slot"));
}

TEST(ResultBuilder, RefusesValuesOutsideTheirLimits) {
  ResultBuilder builder;
  builder.Add(Sooner(4));
  EXPECT_THAT(MistakeOf(builder), HasSubstr("lies outside its limits"));
}

TEST(ResultBuilder, RefusesUnknownScalesLevelsAndStandings) {
  ResultBuilder builder;
  auto estimate = Sooner();
  estimate.set_scale("cubic");
  estimate.set_level(95);
  estimate.clear_standing();
  builder.Add(estimate);
  const std::string words = MistakeOf(builder);
  EXPECT_THAT(words, HasSubstr("has no known scale"));
  EXPECT_THAT(words, HasSubstr("has a level outside 0 to 1"));
  EXPECT_THAT(words, HasSubstr("has no standing"));
}

TEST(ResultBuilder, RefusesTestsWithoutAnEstimate) {
  ResultBuilder builder;
  analysis::v1::Test test;
  test.set_name("log_rank");
  test.set_method("chi_square");
  test.set_p_value(0.2);
  test.set_standing(analysis::v1::STANDING_SECONDARY);
  builder.Add(test);
  EXPECT_THAT(MistakeOf(builder), HasSubstr("no estimate beside them"));
}

TEST(ResultBuilder, RefusesTablesWithRaggedRows) {
  ResultBuilder builder;
  builder.Add(Sooner());
  analysis::v1::Table table;
  table.set_id("t");
  table.add_columns("a");
  table.add_columns("b");
  *table.add_rows()->add_cells() = TextCell("only one");
  builder.Add(table);
  EXPECT_THAT(MistakeOf(builder), HasSubstr("a row of 1 cells for 2 columns"));
}

TEST(ResultBuilder, RefusesFiguresThatLoadOrAreNotJson) {
  ResultBuilder builder;
  builder.Add(Sooner());
  analysis::v1::Figure figure;
  figure.set_id("one");
  figure.set_text_alternative("words");
  figure.set_vega_lite(R"({"layer": [{"data": {"url": "there"}}]})");
  builder.Add(figure);
  figure.set_id("two");
  figure.set_vega_lite("{");
  builder.Add(figure);
  const std::string words = MistakeOf(builder);
  EXPECT_THAT(words, HasSubstr("figure one loads or links something"));
  EXPECT_THAT(words, HasSubstr("figure two is not JSON"));
}

TEST(ResultBuilder, DropsEffectsThatCannotBePooled) {
  ResultBuilder builder;
  builder.Add(Sooner());
  builder.Say("Said.");
  analysis::v1::PoolableEffect effect;
  effect.set_measure("log_hazard_ratio");
  effect.set_variance(0);
  builder.Pool(effect);
  const auto result = builder.Finish(analysis::v1::RESULT_STATUS_ANSWERED);
  ASSERT_TRUE(result.ok());
  EXPECT_EQ(result->poolable_effects_size(), 0);
}

}  // namespace
}  // namespace plumule::sdk
