#include "plugins/sdk/look_figure.h"

#include <algorithm>
#include <optional>
#include <utility>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "plugins/sdk/figure_parts.h"
#include "plugins/sdk/palette.h"
#include "plugins/sdk/words.h"

namespace plumule::sdk {
namespace {

constexpr std::size_t kMaxSteps = 200;

// From day 0, thinned; the last step always stays.
Json Values(const LookRange& arm) {
  Json values = Json::array();
  const auto add = [&](const LookStep& step) {
    values.push_back({{"day", Seen(step.day)},
                      {"most", Seen(100 * step.at_most)},
                      {"least", Seen(100 * step.at_least)}});
  };
  if (arm.steps.empty() || arm.steps.front().day > 0) add({});
  const std::size_t stride = (arm.steps.size() + kMaxSteps - 1) / kMaxSteps;
  for (std::size_t i = 0; i < arm.steps.size(); ++i) {
    if (i % stride == 0 || i + 1 == arm.steps.size()) add(arm.steps[i]);
  }
  return values;
}

Json Panel(const LookRange& arm, const std::string& share_title) {
  const ArmStyle style = ArmStyleOf(arm.position);
  const Json day = {{"field", "day"}, {"type", "quantitative"}, {"title", "Days since the start"}};
  const auto share = [&](const char* field) {
    return Json{{"field", field},
                {"type", "quantitative"},
                {"title", share_title},
                {"scale", {{"domain", {0, 100}}}}};
  };
  const Json range = {
      {"mark",
       {{"type", "area"}, {"interpolate", "step-after"}, {"color", style.color}, {"opacity", 0.3}}},
      {"encoding", {{"x", day}, {"y", share("least")}, {"y2", {{"field", "most"}}}}}};
  const Json seen = {{"mark",
                      {{"type", "line"},
                       {"interpolate", "step-after"},
                       {"color", style.color},
                       {"strokeWidth", 2}}},
                     {"encoding", {{"x", day}, {"y", share("least")}}}};
  return {{"width", 480},
          {"height", 130},
          {"title", PanelTitle(arm.label)},
          {"data", {{"values", Values(arm)}}},
          {"layer", {range, seen}}};
}

// The first day with half of the units by one of the two readings.
std::optional<double> HalfBy(const LookRange& arm, double LookStep::*share) {
  const auto found = std::find_if(arm.steps.begin(), arm.steps.end(),
                                  [&](const LookStep& step) { return step.*share >= 0.5; });
  return found == arm.steps.end() ? std::nullopt : std::optional(found->day);
}

std::string Describe(const LookRange& arm) {
  const auto earliest = HalfBy(arm, &LookStep::at_most);
  const auto latest = HalfBy(arm, &LookStep::at_least);
  std::string half = "fewer than half are known to have reached it";
  if (earliest && latest) {
    half = absl::StrCat("half had reached it between day ", Short(*earliest, 1), " and day ",
                        Short(*latest, 1));
  } else if (earliest) {
    half = absl::StrCat("half may have reached it by day ", Short(*earliest, 1));
  }
  return absl::StrCat(arm.label, ": ", half, "; the looks on either side lay ",
                      Short(arm.middle_gap, 1), " days apart for the middle one, ",
                      Short(arm.widest_gap, 1), " at most.");
}

}  // namespace

analysis::v1::Figure LookFigure(absl::string_view id, absl::string_view title,
                                absl::string_view caption, const std::vector<LookRange>& given,
                                absl::string_view plural) {
  const std::string share_title = absl::StrCat("Of 100 ", plural);
  Json panels = Json::array();
  std::vector<std::string> described;
  for (LookRange arm : given) {
    arm.label = Inert(std::move(arm.label));
    panels.push_back(Panel(arm, share_title));
    described.push_back(Describe(arm));
  }
  const Json specification = {{"vconcat", panels}, {"resolve", {{"scale", {{"x", "shared"}}}}}};
  return MakeFigure(
      id, title, caption, specification,
      absl::StrCat("What looks some days apart leave open. ", absl::StrJoin(described, " ")));
}

}  // namespace plumule::sdk
