// Figures of power over the number of blocks, and of differences within blocks.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "nlohmann/json.hpp"
#include "plugins/sdk/block_figure.h"
#include "plugins/sdk/power_figure.h"
#include "server/analysis/figure_check.h"

namespace plumule::sdk {
namespace {

using ::testing::HasSubstr;
using ::testing::IsEmpty;

analysis::v1::Figure Power() {
  return PowerFigure("power", "t", "c",
                     {{.label = "mean days",
                       .position = 0,
                       .formula = {{.blocks = 10, .power = 0.3}, {.blocks = 40, .power = 0.85}},
                       .simulated = {{.blocks = 40, .power = 0.81, .lower = 0.78, .upper = 0.84}}},
                      {.label = "see http://x", .position = 1, .formula = {}, .simulated = {}}},
                     0.8, 36, 0.95);
}

TEST(PowerFigure, DrawsFormulaAsLineAndSimulationAsMarksWithLimits) {
  const auto json = nlohmann::json::parse(Power().vega_lite());
  const auto& layers = json["vconcat"][0]["layer"];
  ASSERT_EQ(layers.size(), 8u);  // two rules; line, limits, marks of each curve
  EXPECT_EQ(layers[0]["data"]["values"][0]["power"], 80);
  EXPECT_EQ(layers[1]["data"]["values"][0]["blocks"], 36);
  EXPECT_EQ(layers[2]["mark"]["type"], "line");
  EXPECT_EQ(layers[2]["data"]["values"][1]["power"], 85);
  EXPECT_EQ(layers[3]["data"]["values"][0]["low"], 78);
  EXPECT_EQ(layers[4]["mark"]["type"], "point");
}

TEST(PowerFigure, CurvesDifferInMoreThanColor) {
  const auto json = nlohmann::json::parse(Power().vega_lite());
  const auto& layers = json["vconcat"][0]["layer"];
  EXPECT_NE(layers[4]["mark"]["shape"], layers[7]["mark"]["shape"]);
  EXPECT_TRUE(layers[5]["mark"].contains("strokeDash"));
}

TEST(PowerFigure, TextAlternativeCarriesTheSimulatedNumbersAndNothingIsAnAddress) {
  EXPECT_THAT(Power().text_alternative(), HasSubstr("mean days: with 40 blocks 81 (78 to 84)."));
  EXPECT_THAT(analysis::FigureViolations(Power().vega_lite()), IsEmpty());
}

TEST(BlockFigure, CountsBlocksInBarsThatMirrorWhereDifferencesDo) {
  const auto figure = BlockDifferenceFigure(
      "within", "t", "c", {{.label = "off", .position = 1, .differences = {-2.5, -2, 0, 2, 2.5}}},
      "Days");
  const auto json = nlohmann::json::parse(figure.vega_lite());
  const auto& bars = json["vconcat"][0]["data"]["values"];
  ASSERT_EQ(bars.size(), 5u);
  for (std::size_t i = 0; i < bars.size(); ++i) {
    const auto& mirrored = bars[bars.size() - 1 - i];
    EXPECT_EQ(bars[i]["from"].get<double>(), -mirrored["to"].get<double>());
    EXPECT_EQ(bars[i]["blocks"], mirrored["blocks"]);
  }
  EXPECT_THAT(figure.text_alternative(), HasSubstr("off: sooner in 2 of 5 blocks, later in 2"));
  EXPECT_THAT(analysis::FigureViolations(figure.vega_lite()), IsEmpty());
}

TEST(BlockFigure, StaysSmallAndReadableHoweverFarBlocksLieApart) {
  BlockDifferences arm = {.label = "off", .position = 1};
  for (int i = 0; i < 200'000; ++i) arm.differences.push_back(i % 700 - 300.5);
  const auto figure = BlockDifferenceFigure("within", "t", "c", {arm}, "Days");
  const auto json = nlohmann::json::parse(figure.vega_lite());
  const auto& bars = json["vconcat"][0]["data"]["values"];
  EXPECT_LE(bars.size(), 41u);
  std::int64_t blocks = 0;
  for (const auto& bar : bars) blocks += bar["blocks"].get<std::int64_t>();
  EXPECT_EQ(blocks, 200'000);
}

TEST(BlockFigure, AnArmThatNoBlockShowsSaysSo) {
  const auto figure =
      BlockDifferenceFigure("within", "t", "c", {{.label = "off", .position = 1}}, "Days");
  EXPECT_THAT(figure.text_alternative(), HasSubstr("off: no block shows it."));
}

}  // namespace
}  // namespace plumule::sdk
