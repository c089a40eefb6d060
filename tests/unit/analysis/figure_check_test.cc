// A figure shows its own data and reaches for nothing else.
#include "server/analysis/figure_check.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>

#include "absl/strings/str_cat.h"

namespace plumule::analysis {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;

TEST(Figure, MayBeALayeredChartWithItsDataInline) {
  EXPECT_THAT(FigureViolations(R"j({
      "$schema": "https://vega.github.io/schema/vega-lite/v5.json",
      "datasets": {"steps": [{"day": 1, "share": 0.5, "data": "a column", "mark": "x"}]},
      "data": {"name": "steps"},
      "transform": [{"calculate": "datum.share * 100", "as": "percent"},
                    {"filter": "datum.day >= 0"}],
      "layer": [
        {"mark": {"type": "line", "interpolate": "step-after"},
         "encoding": {"x": {"field": "day", "type": "quantitative",
                            "axis": {"title": "days", "labelExpr": "format(datum.value, 'd')"}},
                      "tooltip": {"field": "share"}}},
        {"data": {"values": [{"y": 0.5}]}, "mark": "rule"}]})j"),
              IsEmpty());
}

TEST(Figure, MustBeAJsonObject) {
  EXPECT_THAT(FigureViolations("not json"), ElementsAre("is not JSON"));
  EXPECT_THAT(FigureViolations(""), ElementsAre("is not JSON"));
  EXPECT_THAT(FigureViolations("[1]"), ElementsAre(HasSubstr("must be a JSON object")));
  EXPECT_THAT(FigureViolations(R"({"mark": "bar"} trailing)"), ElementsAre("is not JSON"));
}

TEST(Figure, HasALimitOfNesting) {
  const auto nested = [](int depth) {
    return absl::StrCat(R"({"a":)", std::string(static_cast<size_t>(depth) - 1, '['),
                        std::string(static_cast<size_t>(depth) - 1, ']'), "}");
  };
  EXPECT_THAT(FigureViolations(nested(64)), IsEmpty());
  EXPECT_THAT(FigureViolations(nested(65)), ElementsAre(HasSubstr("nested more than 64")));
  EXPECT_THAT(FigureViolations(nested(1'000'000)), ElementsAre(HasSubstr("nested more than 64")));
}

class ForbiddenFigure : public ::testing::TestWithParam<const char*> {};

TEST_P(ForbiddenFigure, IsRefused) { EXPECT_THAT(FigureViolations(GetParam()), Not(IsEmpty())); }

INSTANTIATE_TEST_SUITE_P(
    ThatReachesOut, ForbiddenFigure,
    ::testing::Values(
        R"({"data": {"url": "data.csv"}})", R"({"data": {"url": "//example.org/data.csv"}})",
        R"({"layer": [{"data": {"u\u0072l": "data.csv"}}]})",
        R"({"data": {"values": [{"href": "x"}]}})", R"({"encoding": {"href": {"field": "link"}}})",
        R"({"usermeta": {"embedOptions": {"loader": {}}}})", R"({"config": {"loader": {}}})",
        R"({"mark": "image"})", R"({"mark": {"type": "image"}})",
        R"j({"background": "url(#fill)"})j", R"({"title": "see https://example.org"})",
        R"({"title": "see HTTPS://example.org"})", R"j({"description": "JavaScript:alert(1)"})j",
        R"({"mark": {"type": "bar", "fill": "data:image/png;base64,AAAA"}})",
        R"({"title": " //example.org"})", R"({"data": {"sequence": {"start": 0, "stop": 1e12}}})",
        R"({"data": {"graticule": true, "name": "x"}})", R"({"data": "elsewhere.json"})",
        R"({"transform": [{"lookup": "a", "from": {"data": {"format": "csv"}}}]})",
        R"j({"transform": [{"calculate": "fetch('x')", "as": "y"}]})j",
        R"({"transform": [{"filter": "datum.constructor"}]})",
        R"({"params": [{"name": "p", "expr": "window.top"}]})",
        R"({"params": [{"name": "p", "bind": {"element": "#page"}}]})",
        R"({"__proto__": {"x": 1}})", R"({"$schema": "https://example.org/v5.json"})",
        R"({"$schema": "https://vega.github.io/schema/vega/v5.json"})", R"({"$schema": 5})",
        R"({"layer": [{"$schema": "https://vega.github.io/schema/vega-lite/v5.json"}]})"));

TEST(Figure, ListsNoMoreThanTwentyViolations) {
  std::string many = "{\"a\": [";
  for (int i = 0; i < 50; ++i) absl::StrAppend(&many, i == 0 ? "" : ",", R"({"url": "x"})");
  EXPECT_EQ(FigureViolations(many + "]}").size(), 20U);
}

}  // namespace
}  // namespace plumule::analysis
