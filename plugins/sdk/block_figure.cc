#include "plugins/sdk/block_figure.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <map>
#include <utility>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "plugins/sdk/figure_parts.h"
#include "plugins/sdk/palette.h"
#include "plugins/sdk/words.h"

namespace plumule::sdk {
namespace {

constexpr double kMostBars = 40;
// Widths that read well on an axis of days.
constexpr std::array<double, 10> kWidths = {0.5, 1, 2, 5, 10, 20, 50, 100, 1000, 10000};

double WidthOf(const std::vector<BlockDifferences>& arms) {
  double low = 0;
  double high = 0;
  for (const BlockDifferences& arm : arms) {
    for (const double difference : arm.differences) {
      low = std::min(low, difference);
      high = std::max(high, difference);
    }
  }
  for (const double width : kWidths) {
    if ((high - low) / width <= kMostBars) return width;
  }
  return kWidths.back();
}

// Blocks by bar; bar b holds differences nearer to b · width than to any other, halves going away
// from 0, so that mirrored differences have mirrored bars.
std::map<std::int64_t, std::int64_t> CountBars(const BlockDifferences& arm, double width) {
  std::map<std::int64_t, std::int64_t> bars;
  for (const double difference : arm.differences) ++bars[std::llround(difference / width)];
  return bars;
}

Json Panel(const BlockDifferences& arm, double width, const std::string& axis_title) {
  Json values = Json::array();
  for (const auto& [bar, blocks] : CountBars(arm, width)) {
    const double middle = static_cast<double>(bar) * width;
    values.push_back({{"from", Seen(middle - width / 2)},
                      {"to", Seen(middle + width / 2)},
                      {"none", 0},
                      {"blocks", blocks}});
  }
  const Json x = {{"field", "from"}, {"type", "quantitative"}, {"title", axis_title}};
  const Json bars = {
      {"mark", {{"type", "rect"}, {"color", ArmStyleOf(arm.position).color}, {"stroke", "white"}}},
      {"encoding",
       {{"x", x},
        {"x2", {{"field", "to"}}},
        {"y",
         {{"field", "blocks"},
          {"type", "quantitative"},
          {"title", "Blocks"},
          {"axis", {{"tickMinStep", 1}}}}},
        {"y2", {{"field", "none"}}}}}};
  const Json line = {
      {"data", {{"values", {{{"from", 0}}}}}},
      {"mark", {{"type", "rule"}, {"color", kMark}, {"strokeDash", {4, 3}}, {"strokeWidth", 2}}},
      {"encoding", {{"x", x}}}};
  return {{"width", 480},
          {"height", 120},
          {"title", PanelTitle(arm.label)},
          {"data", {{"values", values}}},
          {"layer", {bars, line}}};
}

// The difference below which a share of the blocks lies, the nearest one there is.
double Quantile(const std::vector<double>& ascending, double share) {
  const auto last = static_cast<double>(ascending.size() - 1);
  return ascending[static_cast<std::size_t>(std::lround(share * last))];
}

std::string Describe(const BlockDifferences& arm) {
  if (arm.differences.empty()) return absl::StrCat(arm.label, ": no block shows it.");
  std::vector<double> ascending = arm.differences;
  std::sort(ascending.begin(), ascending.end());
  const auto below =
      std::count_if(ascending.begin(), ascending.end(), [](double d) { return d < 0; });
  const auto above =
      std::count_if(ascending.begin(), ascending.end(), [](double d) { return d > 0; });
  return absl::StrCat(
      arm.label, ": sooner in ", below, " of ",
      Counted(static_cast<std::int64_t>(ascending.size()), "block", "blocks"), ", later in ", above,
      ", alike in ", static_cast<std::int64_t>(ascending.size()) - below - above,
      "; the middle half of the differences lies between ", Decimal(Quantile(ascending, 0.25), 1),
      " and ", Decimal(Quantile(ascending, 0.75), 1), " days.");
}

}  // namespace

analysis::v1::Figure BlockDifferenceFigure(absl::string_view id, absl::string_view title,
                                           absl::string_view caption,
                                           const std::vector<BlockDifferences>& given,
                                           absl::string_view axis_title) {
  std::vector<BlockDifferences> arms = given;
  for (BlockDifferences& arm : arms) arm.label = Inert(std::move(arm.label));
  const double width = WidthOf(arms);
  const std::string inert_title = Inert(std::string(axis_title));
  Json panels = Json::array();
  std::vector<std::string> described;
  for (const BlockDifferences& arm : arms) {
    panels.push_back(Panel(arm, width, inert_title));
    described.push_back(Describe(arm));
  }
  const Json specification = {{"vconcat", panels}, {"resolve", {{"scale", {{"x", "shared"}}}}}};
  return MakeFigure(id, title, caption, specification,
                    absl::StrCat(axis_title, ". ", absl::StrJoin(described, " ")));
}

}  // namespace plumule::sdk
