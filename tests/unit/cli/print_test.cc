#include <gmock/gmock.h>
#include <google/protobuf/util/json_util.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstring>
#include <limits>
#include <nlohmann/json.hpp>
#include <string>

#include "absl/strings/str_split.h"
#include "clients/cli/print/json.h"
#include "clients/cli/print/problem_text.h"
#include "clients/cli/print/result_text.h"
#include "clients/cli/print/words.h"
#include "server/protocol/spelling.h"
#include "tests/unit/cli/sample_result.h"

namespace plumule::cli {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

TEST(ToJson, KeepsEveryBitOfADouble) {
  analysis::v1::Result result;
  const double numbers[] = {
      1.0 / 3,          0.1,    std::nextafter(1.0, 2.0),          1e-300, -2.5e-17,
      12345678.9012345, 5e-324, std::numeric_limits<double>::max()};
  for (const double number : numbers) result.add_estimates()->set_value(number);
  const auto back = ParseResultJson(ToJson(result));
  ASSERT_TRUE(back.ok()) << back.status();
  for (int i = 0; i < result.estimates_size(); ++i) {
    EXPECT_EQ(back->result().estimates(i).value(), numbers[i]);
  }
}

TEST(ToJson, LeavesAbsentNumbersOutAndWritesZeros) {
  analysis::v1::Result result;
  auto& estimate = *result.add_estimates();
  estimate.set_id("a");
  estimate.set_lower(0);
  const auto json = nlohmann::json::parse(ToJson(result));
  const auto& written = json.at("estimates").at(0);
  EXPECT_FALSE(written.contains("value"));
  EXPECT_FALSE(written.contains("upper"));
  EXPECT_FALSE(written.contains("events"));
  EXPECT_EQ(written.at("lower"), 0);
  EXPECT_EQ(written.at("level"), 0);
  EXPECT_EQ(written.at("units"), "0");
  EXPECT_FALSE(written.contains("standard_error"));
}

TEST(ToJson, UsesTheContractsNames) {
  EXPECT_THAT(ToJson(SampleResult().result()),
              ::testing::AllOf(HasSubstr("\"standard_error\": 2.5"), HasSubstr("\"p_value\"")));
}

TEST(ParseResultJson, TakesAStoredResultAndABareOne) {
  const auto stored = SampleResult();
  EXPECT_EQ(ParseResultJson(ToJson(stored))->provenance().study(), stored.provenance().study());
  EXPECT_EQ(ParseResultJson(ToJson(stored.result()))->result().estimates(0).value(), -9.1);
  EXPECT_FALSE(ParseResultJson("[]").ok());
  EXPECT_FALSE(ParseResultJson(std::string(100000, '[')).ok());
}

TEST(ResultText, SaysTheFindingFirstInEightyColumns) {
  auto stored = SampleResult();
  stored.mutable_result()->set_method_statement(std::string(40, 'w') + " " + std::string(30, 'v') +
                                                " " + std::string(30, 'u'));
  const std::string text = ResultText(stored.result());
  EXPECT_EQ(text.find("Finding\n  Seeds without their coat sprouted 9.1 days sooner."), 0U);
  for (const absl::string_view line : absl::StrSplit(text, '\n')) {
    EXPECT_LE(protocol::CountCharacters(line), 80U) << line;
  }
  EXPECT_THAT(text, HasSubstr("95 % interval −14 to −4.2"));
  EXPECT_LT(text.find("−9.1"), text.find("Tests"));
}

TEST(ResultText, SaysWhatCanNotBeEstimated) {
  analysis::v1::Result result;
  result.set_status(analysis::v1::RESULT_STATUS_PARTLY);
  auto& estimate = *result.add_estimates();
  estimate.set_measure("days_to_quantile");
  auto& warning = *result.add_warnings();
  warning.set_reason("no_events_in_arm");
  warning.set_message("Nothing sprouted in one arm.");
  const std::string text = ResultText(result);
  EXPECT_THAT(text, HasSubstr("can't be estimated"));
  EXPECT_THAT(text, HasSubstr("Nothing sprouted in one arm. [no_events_in_arm]"));
  EXPECT_THAT(text, Not(HasSubstr("nan")));
}

TEST(ResultText, BreaksWideTablesToEightyColumns) {
  analysis::v1::Result result;
  auto* table = result.add_tables();
  table->set_title("By day");
  for (const char* heading : {"arm", "day", "still under way that day", "reached on that very day",
                              "no longer followed up by anyone", "share that had reached it"}) {
    table->add_columns(heading);
  }
  auto* row = table->add_rows();
  row->add_cells()->set_text("husk_on");
  for (int i = 0; i < 5; ++i) row->add_cells()->set_number(12.5);
  const std::string text = ResultText(result);
  EXPECT_THAT(text, HasSubstr("husk_on"));
  for (const absl::string_view line : absl::StrSplit(absl::string_view(text), '\n')) {
    EXPECT_LE(line.size(), 80U) << line;
  }
}

TEST(NumberWords, WritesFourSignificantDigits) {
  EXPECT_EQ(NumberWords(0), "0");
  EXPECT_EQ(NumberWords(9.125), "9.125");
  EXPECT_EQ(NumberWords(-0.04), "−0.04");
  EXPECT_EQ(NumberWords(1523.4), "1523");
  EXPECT_EQ(NumberWords(60), "60");
  EXPECT_EQ(NumberWords(0.00012346), "0.0001235");
}

TEST(MethodWords, SpellNamesAsTheTradeDoes) {
  EXPECT_EQ(MethodWords("aalen_johansen"), "Aalen–Johansen");
  EXPECT_EQ(MethodWords("peto_peto"), "Peto–Peto");
  EXPECT_EQ(MethodWords("scaled_schoenfeld_stratified_by_block"),
            "scaled Schoenfeld residuals, stratified by block");
  EXPECT_EQ(MethodWords("chi_square_holm"), "chi-square, Holm");
  // Of another plugin: readable all the same.
  EXPECT_EQ(MethodWords("some_new_method"), "some new method");
}

TEST(PValueWords, NeverSaysZero) {
  EXPECT_EQ(PValueWords(0), "below 0.001");
  EXPECT_EQ(PValueWords(0.0342), "0.034");
}

TEST(ProblemText, SetsAdviceApart) {
  study::v1::Problem wrong, advice;
  wrong.set_path("calendar.closes_on");
  wrong.set_reason("date_missing");
  wrong.set_what("The closing date is missing.");
  wrong.set_remedy("Give one.");
  advice.set_path("calendar.time_zone");
  advice.set_what("No time zone is given.");
  advice.set_advice(true);
  const std::string text = ProblemText({advice, wrong});
  EXPECT_LT(text.find("calendar.closes_on"), text.find("calendar.time_zone"));
  EXPECT_THAT(text, HasSubstr("1 problem to mend"));
  EXPECT_THAT(ProblemText({advice}), HasSubstr("can be published"));
}

}  // namespace
}  // namespace plumule::cli
