#include "plugins/sdk/figure.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "plugins/sdk/figure_parts.h"
#include "plugins/sdk/palette.h"
#include "plugins/sdk/words.h"

namespace plumule::sdk {
namespace {

using analysis::v1::Figure;

constexpr std::size_t kMaxSteps = 300;
constexpr int kCountTicks = 6;

// The curve from day 0, thinned; the last step always stays.
std::vector<CurveStep> Prepare(const ArmCurve& curve) {
  std::vector<CurveStep> steps;
  if (curve.steps.empty() || curve.steps.front().day > 0) {
    CurveStep start;
    if (!curve.steps.empty()) start.under_way = curve.steps.front().under_way;
    steps.push_back(start);
  }
  const std::size_t stride = (curve.steps.size() + kMaxSteps - 1) / kMaxSteps;
  for (std::size_t i = 0; i < curve.steps.size(); ++i) {
    if (i % stride == 0 || i + 1 == curve.steps.size()) steps.push_back(curve.steps[i]);
  }
  return steps;
}

Json CurveValues(const std::vector<CurveStep>& steps, const std::string& label) {
  Json values = Json::array();
  for (const CurveStep& step : steps) {
    values.push_back({{"arm", label},
                      {"day", Seen(step.day)},
                      {"share", Seen(100 * step.share)},
                      {"low", step.lower ? Json(Seen(100 * *step.lower)) : Json(nullptr)},
                      {"high", step.upper ? Json(Seen(100 * *step.upper)) : Json(nullptr)}});
  }
  return values;
}

// About ten marks an arm, so that shapes can be told without hiding the line.
Json ShapeValues(const std::vector<CurveStep>& steps, const std::string& label) {
  std::vector<CurveStep> some;
  const std::size_t stride = std::max<std::size_t>(1, steps.size() / 10);
  for (std::size_t i = stride; i < steps.size(); i += stride) some.push_back(steps[i]);
  return CurveValues(some, label);
}

Json DayField(double last_day) {
  return {{"field", "day"},
          {"type", "quantitative"},
          {"title", "Days since the start"},
          {"scale", {{"domain", {0, Seen(last_day)}}, {"nice", false}}}};
}

Json ShareField(const std::string& field, const std::string& title) {
  return {{"field", field},
          {"type", "quantitative"},
          {"title", title},
          {"scale", {{"domain", {0, 100}}}}};
}

// Band, line, marks and label of one arm.
void AddArmLayers(const ArmCurve& curve, const std::vector<CurveStep>& steps, double last_day,
                  const std::string& title, Json& layers) {
  const ArmStyle style = ArmStyleOf(curve.position);
  const Json all = {{"values", CurveValues(steps, curve.label)}};
  Json end = Json::array();
  if (!steps.empty()) end = CurveValues({steps.back()}, curve.label);
  layers.push_back({{"data", all},
                    {"mark",
                     {{"type", "area"},
                      {"interpolate", "step-after"},
                      {"color", style.color},
                      {"opacity", 0.15}}},
                    {"encoding",
                     {{"x", DayField(last_day)},
                      {"y", ShareField("low", title)},
                      {"y2", {{"field", "high"}}}}}});
  Json line = {
      {"type", "line"}, {"interpolate", "step-after"}, {"color", style.color}, {"strokeWidth", 2}};
  if (!style.dash.empty()) line["strokeDash"] = style.dash;
  const Json encoding = {{"x", DayField(last_day)}, {"y", ShareField("share", title)}};
  layers.push_back({{"data", all}, {"mark", line}, {"encoding", encoding}});
  layers.push_back({{"data", {{"values", ShapeValues(steps, curve.label)}}},
                    {"mark",
                     {{"type", "point"},
                      {"shape", style.shape},
                      {"color", style.color},
                      {"filled", true},
                      {"size", 50}}},
                    {"encoding", encoding}});
  Json label = encoding;
  label["text"] = {{"field", "arm"}};
  layers.push_back({{"data", {{"values", end}}},
                    {"mark",
                     {{"type", "text"},
                      {"color", style.color},
                      {"align", "left"},
                      {"dx", 6},
                      {"fontSize", 13},
                      {"fontWeight", "bold"}}},
                    {"encoding", label}});
}

std::int64_t UnderWayOn(const std::vector<CurveStep>& steps, double day) {
  const auto next = std::find_if(steps.begin(), steps.end(),
                                 [day](const CurveStep& step) { return step.day >= day; });
  return next == steps.end() ? 0 : next->under_way;
}

std::vector<double> CountDays(double last_day) {
  std::vector<double> days;
  const double stride = std::max(1.0, std::ceil(last_day / kCountTicks));
  for (double day = 0; day <= last_day; day += stride) days.push_back(day);
  return days;
}

// "Water: by day 7, 31 of 100 (interval 22 to 42); …" at the days of the counts.
std::string DescribeCurve(const ArmCurve& curve, const std::vector<double>& days) {
  std::vector<std::string> parts;
  for (const double day : days) {
    const CurveStep* in_force = nullptr;
    for (const CurveStep& step : curve.steps) {
      if (step.day <= day) in_force = &step;
    }
    std::string part = absl::StrCat("by day ", Short(day, 1), ", ",
                                    Decimal(in_force ? 100 * in_force->share : 0, 0), " of 100");
    if (in_force && in_force->lower && in_force->upper) {
      absl::StrAppend(&part, " (", Decimal(100 * *in_force->lower, 0), " to ",
                      Decimal(100 * *in_force->upper, 0), ")");
    }
    absl::StrAppend(&part, ", ", UnderWayOn(curve.steps, day), " still under way");
    parts.push_back(std::move(part));
  }
  return absl::StrCat(curve.label, ": ", absl::StrJoin(parts, "; "), ".");
}

Json CountPanel(const std::vector<ArmCurve>& curves, const std::vector<double>& days,
                double last_day, absl::string_view plural) {
  Json values = Json::array();
  Json labels = Json::array();
  Json colors = Json::array();
  for (const ArmCurve& curve : curves) {
    labels.push_back(curve.label);
    colors.push_back(ArmStyleOf(curve.position).color);
    for (const double day : days) {
      values.push_back(
          {{"arm", curve.label}, {"day", Seen(day)}, {"units", UnderWayOn(curve.steps, day)}});
    }
  }
  Json x = DayField(last_day);
  x["axis"] = nullptr;
  return {{"width", 480},
          {"height", {{"step", 18}}},
          {"title",
           {{"text", absl::StrCat("Still under way (", plural, ")")},
            {"anchor", "start"},
            {"fontSize", 12},
            {"fontWeight", "normal"},
            {"color", kInk}}},
          {"data", {{"values", values}}},
          {"mark", {{"type", "text"}, {"fontSize", 12}}},
          {"encoding",
           {{"x", x},
            {"y",
             {{"field", "arm"},
              {"type", "nominal"},
              {"sort", labels},
              {"title", nullptr},
              {"axis", {{"domain", false}, {"ticks", false}, {"labelPadding", 16}}}}},
            {"text", {{"field", "units"}, {"type", "quantitative"}}},
            {"color",
             {{"field", "arm"},
              {"type", "nominal"},
              {"scale", {{"domain", labels}, {"range", colors}}},
              {"legend", nullptr}}}}}};
}

Json IntervalValue(const IntervalRow& row) {
  const std::string_view color = row.position < 0 ? kMark : ArmStyleOf(row.position).color;
  const std::string_view shape = row.summary        ? "diamond"
                                 : row.position < 0 ? "square"
                                                    : ArmStyleOf(row.position).shape;
  const double size = row.summary ? 160 : 30 + 120 * std::clamp(row.weight, 0.0, 1.0);
  return {{"label", row.label},      {"value", Seen(row.value)}, {"low", Seen(row.lower)},
          {"high", Seen(row.upper)}, {"color", color},           {"shape", shape},
          {"size", Seen(size)}};
}

std::string DescribeRow(const IntervalRow& row, int decimals) {
  if (!row.value) return absl::StrCat(row.label, ": can't be estimated.");
  std::string text = absl::StrCat(row.label, ": ", Decimal(*row.value, decimals));
  if (row.lower && row.upper) {
    absl::StrAppend(&text, " (", Decimal(*row.lower, decimals), " to ",
                    Decimal(*row.upper, decimals), ")");
  }
  return text + ".";
}

}  // namespace

Figure ReachedFigure(absl::string_view id, absl::string_view title, absl::string_view caption,
                     const std::vector<ArmCurve>& given, double level, absl::string_view plural) {
  std::vector<ArmCurve> curves = given;
  for (ArmCurve& curve : curves) curve.label = Inert(std::move(curve.label));
  double last_day = 1;
  for (const ArmCurve& curve : curves) {
    if (!curve.steps.empty()) last_day = std::max(last_day, curve.steps.back().day);
  }
  const std::string share_title = absl::StrCat("Reached, of 100 ", plural);
  const std::vector<double> days = CountDays(last_day);
  Json layers = Json::array();
  std::vector<std::string> described;
  for (const ArmCurve& curve : curves) {
    AddArmLayers(curve, Prepare(curve), last_day, share_title, layers);
    described.push_back(DescribeCurve(curve, days));
  }
  const Json specification = {{"vconcat",
                               {{{"width", 480}, {"height", 300}, {"layer", layers}},
                                CountPanel(curves, days, last_day, plural)}}};
  return MakeFigure(id, title, caption, specification,
                    absl::StrCat("Share of ", plural, " that reached the threshold by day, with ",
                                 IntervalWords(level), "s. ", absl::StrJoin(described, " ")));
}

Figure IntervalFigure(absl::string_view id, absl::string_view title, absl::string_view caption,
                      const std::vector<IntervalRow>& given, const IntervalAxis& axis) {
  std::vector<IntervalRow> rows = given;
  for (IntervalRow& row : rows) row.label = Inert(std::move(row.label));
  const std::string axis_title = Inert(axis.title);
  Json values = Json::array();
  Json order = Json::array();
  std::vector<std::string> described;
  for (const IntervalRow& row : rows) {
    values.push_back(IntervalValue(row));
    order.push_back(row.label);
    described.push_back(DescribeRow(row, axis.decimals));
  }
  const Json y = {{"field", "label"},
                  {"type", "nominal"},
                  {"sort", order},
                  {"title", nullptr},
                  {"axis", {{"labelLimit", 320}, {"domain", false}, {"ticks", false}}}};
  Json scale = {{"zero", false}};
  if (axis.logarithmic) scale["type"] = "log";
  const auto x = [&](const std::string& field) -> Json {
    return {{"field", field}, {"type", "quantitative"}, {"title", axis_title}, {"scale", scale}};
  };
  const Json color = {{"field", "color"}, {"type", "nominal"}, {"scale", nullptr}};
  const Json shape = {{"field", "shape"}, {"type", "nominal"}, {"scale", nullptr}};
  const Json size = {{"field", "size"}, {"type", "quantitative"}, {"scale", nullptr}};
  Json layers = Json::array();
  if (axis.reference) {
    layers.push_back({{"data", {{"values", {{{"at", Seen(*axis.reference)}}}}}},
                      {"mark", {{"type", "rule"}, {"color", kMark}, {"strokeDash", {4, 3}}}},
                      {"encoding", {{"x", x("at")}}}});
  }
  layers.push_back(
      {{"mark", {{"type", "rule"}, {"strokeWidth", 2}}},
       {"encoding", {{"y", y}, {"x", x("low")}, {"x2", {{"field", "high"}}}, {"color", color}}}});
  layers.push_back(
      {{"mark", {{"type", "point"}, {"filled", true}, {"opacity", 1}}},
       {"encoding",
        {{"y", y}, {"x", x("value")}, {"color", color}, {"shape", shape}, {"size", size}}}});
  const Json specification = {{"width", 420},
                              {"height", {{"step", 24}}},
                              {"data", {{"values", values}}},
                              {"layer", layers}};
  std::string text = absl::StrCat(axis.title, ". ", absl::StrJoin(described, " "));
  if (axis.reference && !axis.reference_label.empty()) {
    absl::StrAppend(&text, " ", Short(*axis.reference, 2), " stands for ", axis.reference_label,
                    ".");
  }
  return MakeFigure(id, title, caption, specification, std::move(text));
}

}  // namespace plumule::sdk
