// Every rule that result.proto states is one that the host checks.
#include "server/analysis/result_check.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <functional>
#include <limits>
#include <string>

#include "absl/strings/str_cat.h"

namespace plumule::analysis {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

constexpr double kNaN = std::numeric_limits<double>::quiet_NaN();

v1::Result Good() {
  v1::Result result;
  result.set_status(v1::RESULT_STATUS_ANSWERED);
  v1::Estimate* estimate = result.add_estimates();
  estimate->set_id("difference");
  estimate->set_measure("restricted_mean_difference");
  estimate->set_method("kaplan_meier");
  estimate->set_at(90);
  estimate->set_value(-9.2);
  estimate->set_standard_error(2.5);
  estimate->set_lower(-14.1);
  estimate->set_upper(-4.3);
  estimate->set_level(0.95);
  estimate->set_scale("linear");
  estimate->set_standing(v1::STANDING_PRIMARY);
  estimate->set_units(40);
  estimate->set_blocks(20);
  estimate->set_events(30);
  v1::Test* test = result.add_tests();
  test->set_id("log_rank");
  test->set_name("log_rank_stratified_by_block");
  test->set_statistic(8.1);
  test->set_df(1);
  test->set_p_value(0.0044);
  test->set_standing(v1::STANDING_PRIMARY);
  v1::Sentence* sentence = result.add_findings();
  sentence->set_text("Peeled seeds came up 9 days sooner (4 to 14), p = 0.004, 40 seeds.");
  const auto quote = [&](const char* shown, const char* source, v1::QuotedField field,
                         int decimals) {
    v1::Quote* added = sentence->add_quotes();
    added->set_shown(shown);
    added->set_source(source);
    added->set_field(field);
    added->set_decimals(decimals);
    added->set_absolute(true);
  };
  quote("9", "difference", v1::QUOTED_FIELD_VALUE, 0);
  quote("4", "difference", v1::QUOTED_FIELD_UPPER, 0);
  quote("14", "difference", v1::QUOTED_FIELD_LOWER, 0);
  quote("0.004", "log_rank", v1::QUOTED_FIELD_P_VALUE, 3);
  quote("40", "difference", v1::QUOTED_FIELD_UNITS, 0);
  v1::FlowStep* step = result.add_flow();
  step->set_step("started");
  step->set_units(40);
  v1::Assumption* assumption = result.add_assumptions();
  assumption->set_what("Losses are unrelated to the arm.");
  assumption->set_verdict(v1::VERDICT_NOT_CHECKED);
  v1::Warning* warning = result.add_warnings();
  warning->set_reason("one_block");
  warning->set_message("There is one block only.");
  v1::Table* table = result.add_tables();
  table->set_id("shares");
  table->add_columns("arm");
  table->add_columns("share");
  v1::TableRow* row = table->add_rows();
  row->add_cells()->set_text("peeled");
  row->add_cells()->set_number(0.75);
  v1::Figure* figure = result.add_figures();
  figure->set_id("curve");
  figure->set_title("Share that came up");
  figure->set_text_alternative("Half came up by day 12.");
  figure->set_vega_lite(R"({"mark": "line", "data": {"values": [{"day": 1}]}})");
  v1::PoolableEffect* effect = result.add_poolable_effects();
  effect->set_measure("restricted_mean_difference");
  effect->set_value(-9.2);
  effect->set_variance(6.25);
  effect->mutable_counts()->set_events_treated(3);
  effect->mutable_counts()->set_n_treated(20);
  result.add_references()->set_citation("Kaplan & Meier (1958).");
  return result;
}

TEST(ResultCheck, FindsNothingWrongWithAGoodResult) {
  EXPECT_THAT(ResultViolations(Good()), IsEmpty());
}

struct Flaw {
  const char* name;
  std::function<void(v1::Result&)> make;
  // The only violation holds this.
  const char* violation;
};

class FlawedResult : public ::testing::TestWithParam<Flaw> {};

TEST_P(FlawedResult, IsRefusedWithThePlaceAndTheRule) {
  v1::Result result = Good();
  GetParam().make(result);
  EXPECT_THAT(ResultViolations(result), ElementsAre(HasSubstr(GetParam().violation)));
}

v1::Estimate& First(v1::Result& result) { return *result.mutable_estimates(0); }
v1::Quote& Quote(v1::Result& result, int index) {
  return *result.mutable_findings(0)->mutable_quotes(index);
}

INSTANTIATE_TEST_SUITE_P(
    Each, FlawedResult,
    ::testing::Values(
        Flaw{"NoStatus", [](auto& r) { r.set_status(v1::RESULT_STATUS_UNSPECIFIED); }, "status:"},
        Flaw{"UnknownStatus", [](auto& r) { r.set_status(static_cast<v1::ResultStatus>(9)); },
             "status: has no value 9"},
        Flaw{"AnsweredWithoutPrimary",
             [](auto& r) { First(r).set_standing(v1::STANDING_SECONDARY); },
             "estimates[0]: must be the primary one"},
        Flaw{"CannotAnswerWithoutWhy",
             [](auto& r) {
               r.set_status(v1::RESULT_STATUS_CANNOT_ANSWER);
               r.clear_warnings();
             },
             "warnings: must say why"},
        Flaw{"NoId",
             [](auto& r) {
               *r.add_estimates() = First(r);
               r.mutable_estimates(1)->clear_id();
             },
             "estimates[1]: has no id"},
        Flaw{"RepeatedId", [](auto& r) { *r.add_estimates() = First(r); },
             "estimates[1]: has the id of another, `difference`"},
        Flaw{"TestWithIdOfEstimate",
             [](auto& r) {
               *r.add_tests() = r.tests(0);
               r.mutable_tests(1)->set_id("difference");
             },
             "tests[1]: has the id of another"},
        Flaw{"NoMeasure", [](auto& r) { First(r).clear_measure(); }, "has no measure"},
        Flaw{"NoMethod", [](auto& r) { First(r).clear_method(); }, "has no method"},
        Flaw{"NaNInTable",
             [](auto& r) {
               r.mutable_tables(0)->mutable_rows(0)->mutable_cells(1)->set_number(kNaN);
             },
             "tables[0].rows[0].cells[1].number: must be finite"},
        Flaw{"InfiniteStandardError",
             [](auto& r) { First(r).set_standard_error(std::numeric_limits<double>::infinity()); },
             "estimates[0].standard_error: must be finite"},
        Flaw{"NegativeStandardError", [](auto& r) { First(r).set_standard_error(-1); },
             "standard error below zero"},
        Flaw{"LevelOfOne", [](auto& r) { First(r).set_level(1); }, "level"},
        Flaw{"NoLevel", [](auto& r) { First(r).clear_level(); }, "level"},
        Flaw{"UnknownScale", [](auto& r) { First(r).set_scale("sqrt"); }, "scale"},
        Flaw{"NoScaleForStandardError", [](auto& r) { First(r).clear_scale(); }, "scale"},
        Flaw{"NegativeCount", [](auto& r) { First(r).set_events(-1); }, "counts below zero"},
        Flaw{"PValueAboveOne",
             [](auto& r) {
               r.mutable_tests(0)->set_p_value(1.5);
               Quote(r, 3).set_factor(0.004 / 1.5);
             },
             "p-value"},
        Flaw{"NegativeDf", [](auto& r) { r.mutable_tests(0)->set_df(-1); }, "freedom"},
        Flaw{"TestWithoutName", [](auto& r) { r.mutable_tests(0)->clear_name(); }, "has no name"},
        Flaw{"QuoteThatDrifts", [](auto& r) { First(r).set_value(-8.2); },
             "findings[0].quotes[0]: the words say 9 where the source rounds to 8"},
        Flaw{"QuoteNotInText",
             [](auto& r) { r.mutable_findings(0)->set_text("9, 4, 14, 0.004 of 400"); },
             "shows \"40\", which does not stand in the text"},
        Flaw{"QuoteOfNothing", [](auto& r) { Quote(r, 0).set_source("nobody"); },
             "quotes a number that is not there: `nobody`"},
        Flaw{"QuoteOfAnAbsentNumber", [](auto& r) { r.mutable_tests(0)->clear_p_value(); },
             "quotes a number that is not there: `log_rank`"},
        Flaw{"QuoteOfNoField", [](auto& r) { Quote(r, 0).clear_field(); }, "not there"},
        Flaw{"TooManyDecimals", [](auto& r) { Quote(r, 0).set_decimals(7); }, "0 to 6"},
        Flaw{"SentenceWithoutText", [](auto& r) { r.add_findings(); }, "findings[1]: has no text"},
        Flaw{"FlowBelowZero", [](auto& r) { r.mutable_flow(0)->set_units(-1); }, "flow[0]"},
        Flaw{"NoVerdict", [](auto& r) { r.mutable_assumptions(0)->clear_verdict(); }, "verdict"},
        Flaw{"ReasonInWords", [](auto& r) { r.mutable_warnings(0)->set_reason("One block"); },
             "lower_snake_case"},
        Flaw{"RaggedTable", [](auto& r) { r.mutable_tables(0)->add_columns("more"); },
             "tables[0].rows[0]: has 2 cells for 3 columns"},
        Flaw{"FigureForSomeOnly", [](auto& r) { r.mutable_figures(0)->clear_text_alternative(); },
             "figures[0]: has no text for people"},
        Flaw{"FigureWithAddress",
             [](auto& r) { r.mutable_figures(0)->set_vega_lite(R"({"a": {"url": "x"}})"); },
             "figures[0].vega_lite: $.a.url is not allowed"},
        Flaw{"FigureTooLarge",
             [](auto& r) { r.mutable_figures(0)->set_vega_lite(std::string((2 << 20) + 1, ' ')); },
             "longer than 2048 KiB"},
        Flaw{"UnknownPoolableMeasure",
             [](auto& r) { r.mutable_poolable_effects(0)->set_measure("vigor"); }, "vigor"},
        Flaw{"NoVariance", [](auto& r) { r.mutable_poolable_effects(0)->set_variance(0); },
             "variance"},
        Flaw{"MoreEventsThanUnits",
             [](auto&
                    r) { r.mutable_poolable_effects(0)->mutable_counts()->set_events_treated(21); },
             "counts of events"},
        Flaw{"EmptyReference", [](auto& r) { r.add_references(); }, "references[1]"},
        Flaw{"NotUtf8", [](auto& r) { r.set_method_statement("\xff"); },
             "method_statement: is not UTF-8"},
        Flaw{"ControlCharacters", [](auto& r) { r.set_method_statement("a\x1b[31m"); },
             "control characters"},
        Flaw{"LongString", [](auto& r) { r.set_method_statement(std::string(65537, 'x')); },
             "longer than 64 KiB"}),
    [](const auto& flaw) { return flaw.param.name; });

TEST(ResultCheck, TakesLimitsThatAreMissingOrEqual) {
  v1::Result result = Good();
  result.clear_findings();
  First(result).clear_upper();
  EXPECT_THAT(ResultViolations(result), IsEmpty());
  First(result).set_upper(-9.2 - 1e-12);
  EXPECT_THAT(ResultViolations(result), IsEmpty());
}

TEST(ResultCheck, TakesAnEstimateOutsideItsLimitsThatAWarningNames) {
  v1::Result result = Good();
  result.clear_findings();
  First(result).set_upper(-10);
  EXPECT_THAT(ResultViolations(result), ElementsAre(HasSubstr("outside its limits")));
  v1::Warning* warning = result.add_warnings();
  warning->set_reason("estimate_outside_limits");
  warning->set_message("The interval of difference comes from another method.");
  EXPECT_THAT(ResultViolations(result), IsEmpty());
}

TEST(ResultCheck, HoldsListsToTheirLimits) {
  v1::Result result = Good();
  for (int i = 0; i < 100; ++i) {
    *result.add_figures() = result.figures(0);
    result.mutable_figures(i + 1)->set_id(absl::StrCat("f", i));
  }
  EXPECT_THAT(ResultViolations(result), ElementsAre("figures: holds 101, more than 100"));
  result.mutable_figures()->RemoveLast();
  EXPECT_THAT(ResultViolations(result), IsEmpty());
}

TEST(ResultCheck, HoldsTheWholeToItsLimit) {
  v1::Result result = Good();
  for (int i = 0; i < 300; ++i) {
    v1::Warning* warning = result.add_warnings();
    warning->set_reason("long");
    warning->set_message(std::string(60000, 'x'));
  }
  EXPECT_THAT(ResultViolations(result), ElementsAre("result: is larger than 16 MiB"));
}

TEST(ResultCheck, ListsTwentyAndCountsTheRest) {
  v1::Result result = Good();
  for (int i = 0; i < 30; ++i) result.add_references();
  const std::vector<std::string> violations = ResultViolations(result);
  ASSERT_EQ(violations.size(), 21U);
  EXPECT_EQ(violations.back(), "… and 10 more");
}

}  // namespace
}  // namespace plumule::analysis
