#include "plugins/sdk/figure.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "nlohmann/json.hpp"
#include "server/analysis/figure_check.h"

namespace plumule::sdk {
namespace {

using ::testing::HasSubstr;

std::vector<ArmCurve> Curves(int steps) {
  std::vector<ArmCurve> curves(2);
  for (int arm = 0; arm < 2; ++arm) {
    curves[static_cast<std::size_t>(arm)].label = arm == 0 ? "coat on" : "coat off";
    curves[static_cast<std::size_t>(arm)].position = arm;
    for (int i = 1; i <= steps; ++i) {
      const double share = 0.5 * i / steps;
      curves[static_cast<std::size_t>(arm)].steps.push_back({.day = static_cast<double>(i),
                                                             .share = share,
                                                             .lower = share * 0.8,
                                                             .upper = share * 1.2,
                                                             .under_way = steps - i + 1});
    }
  }
  return curves;
}

TEST(Figure, CurvesAreStepsFromDayZeroWithBandLabelAndCounts) {
  const auto figure = ReachedFigure("reached", "t", "c", Curves(10), 0.95, "seeds");
  const auto json = nlohmann::json::parse(figure.vega_lite());
  ASSERT_TRUE(json["vconcat"].is_array());
  ASSERT_EQ(json["vconcat"].size(), 2u);
  const auto& layers = json["vconcat"][0]["layer"];
  ASSERT_EQ(layers.size(), 8u);  // band, line, marks, label; twice
  EXPECT_EQ(layers[1]["mark"]["interpolate"], "step-after");
  EXPECT_EQ(layers[1]["data"]["values"][0]["day"], 0);
  EXPECT_EQ(layers[1]["encoding"]["x"]["scale"]["domain"], nlohmann::json({0, 10}));
  EXPECT_EQ(layers[3]["data"]["values"][0]["arm"], "coat on");
  EXPECT_FALSE(layers[1]["mark"].contains("strokeDash"));
  EXPECT_TRUE(layers[5]["mark"].contains("strokeDash"));
  EXPECT_EQ(json["vconcat"][1]["data"]["values"][0]["units"], 10);
}

TEST(Figure, TextAlternativeCarriesTheNumbers) {
  const auto figure = ReachedFigure("reached", "t", "c", Curves(10), 0.95, "seeds");
  EXPECT_THAT(figure.text_alternative(), HasSubstr("coat off: by day 0, 0 of 100, 10 still under "
                                                   "way; by day 2, 10 of 100 (8 to 12), 9 still"));
}

TEST(Figure, LongCurvesAreThinnedAndStaySmall) {
  const auto figure = ReachedFigure("reached", "t", "c", Curves(100'000), 0.95, "seeds");
  EXPECT_LT(figure.vega_lite().size(), 500'000u);
  const auto json = nlohmann::json::parse(figure.vega_lite());
  EXPECT_EQ(json["vconcat"][0]["layer"][1]["data"]["values"].back()["day"], 100'000);
}

TEST(Figure, IntervalsShareAnAxisAndAReferenceLine) {
  const auto figure = IntervalFigure(
      "differences", "t", "c",
      {{.label = "coat off", .value = -3.46, .lower = -5.8, .upper = -1.2, .position = 1},
       {.label = "nobody", .value = {}, .lower = {}, .upper = {}}},
      {.title = "Days", .reference = 0, .reference_label = "no difference"});
  const auto json = nlohmann::json::parse(figure.vega_lite());
  ASSERT_TRUE(json["data"]["values"].is_array());
  EXPECT_EQ(json["data"]["values"][0]["low"], -5.8);
  EXPECT_TRUE(json["data"]["values"][1]["value"].is_null());
  ASSERT_EQ(json["layer"].size(), 3u);
  ASSERT_TRUE(json["layer"][0]["data"]["values"].is_array());
  EXPECT_EQ(json["layer"][0]["data"]["values"][0]["at"], 0);
  EXPECT_EQ(figure.text_alternative(),
            "Days. coat off: -3.5 (-5.8 to -1.2). nobody: can't be estimated. 0 stands for no "
            "difference.");
}

TEST(Figure, LabelsThatLookLikeAddressesOrScriptsAreAcceptedByTheHost) {
  std::vector<IntervalRow> rows;
  for (const char* label : {"//x", "http://x", "Data:x", "URL(x)", "javascript:x", "a///b"}) {
    IntervalRow row;
    row.label = label;
    row.value = 1;
    rows.push_back(row);
  }
  IntervalAxis axis;
  axis.title = "see http://x";
  const auto figure = IntervalFigure("f", "t", "c", rows, axis);
  EXPECT_THAT(analysis::FigureViolations(figure.vega_lite()), ::testing::IsEmpty());
  EXPECT_THAT(figure.text_alternative(), HasSubstr("Data :x"));
}

TEST(Figure, RatiosAreDrawnOnALogarithmicAxis) {
  IntervalAxis axis;
  axis.title = "Ratio";
  axis.logarithmic = true;
  IntervalRow row;
  row.label = "a";
  row.value = 2;
  const auto figure = IntervalFigure("forest", "t", "c", {row}, axis);
  const auto json = nlohmann::json::parse(figure.vega_lite());
  EXPECT_EQ(json["layer"][1]["encoding"]["x"]["scale"]["type"], "log");
}

}  // namespace
}  // namespace plumule::sdk
