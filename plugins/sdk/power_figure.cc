#include "plugins/sdk/power_figure.h"

#include <algorithm>
#include <utility>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "plugins/sdk/figure_parts.h"
#include "plugins/sdk/palette.h"
#include "plugins/sdk/words.h"

namespace plumule::sdk {
namespace {

Json BlocksField() {
  return {{"field", "blocks"},
          {"type", "quantitative"},
          {"title", "Blocks that are started"},
          {"scale", {{"zero", true}}}};
}

Json PowerField(const std::string& field) {
  return {{"field", field},
          {"type", "quantitative"},
          {"title", "Studies that find the effect, of 100"},
          {"scale", {{"domain", {0, 100}}}}};
}

Json Values(const std::vector<PowerPoint>& points, const std::string& label) {
  Json values = Json::array();
  for (const PowerPoint& point : points) {
    Json value = {
        {"curve", label}, {"blocks", Seen(point.blocks)}, {"power", Seen(100 * point.power)}};
    if (point.lower && point.upper) {
      value["low"] = Seen(100 * *point.lower);
      value["high"] = Seen(100 * *point.upper);
    }
    values.push_back(std::move(value));
  }
  return values;
}

// Line of the formula, marks of the simulation, and the label at the end of the line.
void AddCurve(const PowerCurve& curve, Json& layers) {
  const ArmStyle style = ArmStyleOf(curve.position);
  const Json formula = {{"values", Values(curve.formula, curve.label)}};
  const Json simulated = {{"values", Values(curve.simulated, curve.label)}};
  const Json at = {{"x", BlocksField()}, {"y", PowerField("power")}};
  Json line = {{"type", "line"}, {"color", style.color}, {"strokeWidth", 2}};
  if (!style.dash.empty()) line["strokeDash"] = style.dash;
  layers.push_back({{"data", formula}, {"mark", line}, {"encoding", at}});
  layers.push_back(
      {{"data", simulated},
       {"mark", {{"type", "rule"}, {"color", style.color}, {"strokeWidth", 2}}},
       {"encoding",
        {{"x", BlocksField()}, {"y", PowerField("low")}, {"y2", {{"field", "high"}}}}}});
  layers.push_back({{"data", simulated},
                    {"mark",
                     {{"type", "point"},
                      {"shape", style.shape},
                      {"color", style.color},
                      {"filled", true},
                      {"opacity", 1},
                      {"size", 60}}},
                    {"encoding", at}});
}

// Labels of curves that end close together would cover each other, so they stand in rows below.
Json Legend(const std::vector<PowerCurve>& curves) {
  Json values = Json::array();
  Json labels = Json::array();
  for (const PowerCurve& curve : curves) {
    const ArmStyle style = ArmStyleOf(curve.position);
    values.push_back({{"curve", curve.label}, {"color", style.color}, {"shape", style.shape}});
    labels.push_back(curve.label);
  }
  const Json row = {{"field", "curve"},
                    {"type", "nominal"},
                    {"sort", labels},
                    {"title", nullptr},
                    {"axis", nullptr}};
  const auto literal = [](const char* field) {
    return Json{{"field", field}, {"type", "nominal"}, {"scale", nullptr}};
  };
  const Json key = {{"mark", {{"type", "point"}, {"filled", true}, {"opacity", 1}, {"size", 60}}},
                    {"encoding",
                     {{"x", {{"value", 6}}},
                      {"y", row},
                      {"color", literal("color")},
                      {"shape", literal("shape")}}}};
  const Json label = {
      {"mark", {{"type", "text"}, {"align", "left"}, {"baseline", "middle"}, {"fontSize", 13}}},
      {"encoding", {{"x", {{"value", 18}}}, {"y", row}, {"text", {{"field", "curve"}}}}}};
  return {{"width", 480},
          {"height", {{"step", 20}}},
          {"view", {{"stroke", nullptr}}},
          {"data", {{"values", values}}},
          {"layer", {key, label}}};
}

Json Rule(const char* axis, const Json& field, const Json& value) {
  return {{"data", {{"values", {value}}}},
          {"mark", {{"type", "rule"}, {"color", kMark}, {"strokeDash", {4, 3}}}},
          {"encoding", {{axis, field}}}};
}

std::string Describe(const PowerCurve& curve) {
  std::vector<std::string> parts;
  for (const PowerPoint& point : curve.simulated) {
    std::string part =
        absl::StrCat("with ", Short(point.blocks, 0), " blocks ", Decimal(100 * point.power, 0));
    if (point.lower && point.upper) {
      absl::StrAppend(&part, " (", Decimal(100 * *point.lower, 0), " to ",
                      Decimal(100 * *point.upper, 0), ")");
    }
    parts.push_back(std::move(part));
  }
  return absl::StrCat(curve.label, ": ", absl::StrJoin(parts, "; "), ".");
}

}  // namespace

analysis::v1::Figure PowerFigure(absl::string_view id, absl::string_view title,
                                 absl::string_view caption, const std::vector<PowerCurve>& given,
                                 double wanted_power, double blocks, double level) {
  std::vector<PowerCurve> curves = given;
  for (PowerCurve& curve : curves) curve.label = Inert(std::move(curve.label));
  Json layers = Json::array();
  layers.push_back(Rule("y", PowerField("power"), {{"power", Seen(100 * wanted_power)}}));
  layers.push_back(Rule("x", BlocksField(), {{"blocks", Seen(blocks)}}));
  std::vector<std::string> described;
  for (const PowerCurve& curve : curves) {
    AddCurve(curve, layers);
    described.push_back(Describe(curve));
  }
  const Json specification = {
      {"vconcat", {{{"width", 480}, {"height", 300}, {"layer", layers}}, Legend(curves)}}};
  return MakeFigure(
      id, title, caption, specification,
      absl::StrCat("Simulated studies that find the effect, of 100, by the number of blocks, with ",
                   IntervalWords(level), "s. ", absl::StrJoin(described, " ")));
}

}  // namespace plumule::sdk
