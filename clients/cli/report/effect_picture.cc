#include "clients/cli/report/effect_picture.h"

#include <algorithm>
#include <cmath>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "clients/cli/print/words.h"
#include "clients/cli/report/html.h"

namespace plumule::cli {
namespace {

using analysis::v1::Estimate;

constexpr size_t kMostRows = 12;

// A horizontal scale: places in per cent of the width.
struct Scale {
  double low = 0, high = 1;
  bool log = false;

  double Raw(double value) const { return log ? std::log(value) : value; }
  double Place(double value) const {
    const double share = (Raw(value) - Raw(low)) / (Raw(high) - Raw(low));
    return std::clamp(share * 100, 0.0, 100.0);
  }
};

std::vector<const Estimate*> Comparable(const std::vector<const Estimate*>& estimates) {
  std::vector<const Estimate*> rows;
  for (const Estimate* estimate : estimates) {
    const bool drawable = estimate->has_value() && !estimate->against().empty() &&
                          (estimate->has_lower() || estimate->has_upper());
    if (!drawable || rows.size() == kMostRows) continue;
    if (IsRatio(estimate->measure()) && !(estimate->value() > 0)) continue;
    if (!rows.empty() &&
        (rows[0]->measure() != estimate->measure() || rows[0]->unit() != estimate->unit())) {
      continue;
    }
    rows.push_back(estimate);
  }
  return rows;
}

// A round step that gives about four ticks.
double Step(double range) {
  const double rough = range / 4;
  const double power = std::pow(10, std::floor(std::log10(rough)));
  for (const double factor : {1.0, 2.0, 5.0, 10.0}) {
    if (factor * power >= rough) return factor * power;
  }
  return 10 * power;
}

Scale ScaleOf(const std::vector<const Estimate*>& rows, double margin) {
  Scale scale;
  scale.log = IsRatio(rows[0]->measure());
  double low = scale.log ? 1 : -margin;
  double high = scale.log ? 1 : margin;
  for (const Estimate* row : rows) {
    for (const double value : {row->value(), row->has_lower() ? row->lower() : row->value(),
                               row->has_upper() ? row->upper() : row->value()}) {
      if (scale.log && !(value > 0)) continue;
      low = std::min(low, value);
      high = std::max(high, value);
    }
  }
  if (scale.log) {
    const double room = std::max(std::log(high / low) * 0.08, 0.1);
    scale.low = low * std::exp(-room);
    scale.high = high * std::exp(room);
    return scale;
  }
  const double range = std::max(high - low, 1e-9);
  const double step = Step(range);
  scale.low = std::floor((low - range * 0.04) / step) * step;
  scale.high = std::ceil((high + range * 0.04) / step) * step;
  return scale;
}

std::vector<double> Ticks(const Scale& scale) {
  std::vector<double> ticks;
  if (!scale.log) {
    const double step = Step(scale.high - scale.low);
    for (double at = std::ceil(scale.low / step) * step; at <= scale.high + step / 1000;
         at += step) {
      ticks.push_back(std::abs(at) < step / 1000 ? 0 : at);
    }
    return ticks;
  }
  const double wide = std::log10(scale.high / scale.low);
  for (int power = -8; power <= 8; ++power) {
    for (const double factor : {1.0, 2.0, 5.0}) {
      if (wide > 2.5 && factor != 1.0) continue;
      const double at = factor * std::pow(10, power);
      if (at >= scale.low && at <= scale.high) ticks.push_back(at);
    }
  }
  return ticks;
}

std::string Percent(double share) { return absl::StrFormat("%.2f%%", share); }

// What lies left and right of no difference.
struct Sides {
  std::string left, right;
};

Sides SidesOf(const Estimate& estimate, const std::string& arm) {
  const absl::string_view measure = estimate.measure();
  if (absl::StartsWith(measure, "restricted_mean") || measure == "median_difference" ||
      measure == "time_ratio") {
    return {arm + " sooner", arm + " later"};
  }
  if (measure == "hazard_ratio") return {arm + " later", arm + " sooner"};
  if (measure == "risk_difference" || measure == "risk_ratio" || measure == "odds_ratio") {
    return {"fewer with " + arm, "more with " + arm};
  }
  return {"lower with " + arm, "higher with " + arm};
}

std::string Row(const Estimate& estimate, const Scale& scale, double margin,
                const std::string& name) {
  const double low = scale.Place(
      estimate.has_lower() && (!scale.log || estimate.lower() > 0) ? estimate.lower() : scale.low);
  const double high = scale.Place(estimate.has_upper() ? estimate.upper() : scale.high);
  std::string out =
      absl::StrCat("<div class=\"effect\"><div class=\"what\"><b>", Escaped(name), "</b><span>",
                   Escaped(ValueWords(estimate)), " (", Escaped(IntervalWords(estimate)),
                   ")</span></div>\n", "<div class=\"track\" aria-hidden=\"true\">");
  if (margin > 0 && !scale.log) {
    const double left = scale.Place(-margin);
    absl::StrAppend(&out, "<span class=\"band\" style=\"left:", Percent(left),
                    ";width:", Percent(scale.Place(margin) - left), "\"></span>");
  }
  absl::StrAppend(&out, "<span class=\"base\"></span><span class=\"zero\" style=\"left:",
                  Percent(scale.Place(scale.log ? 1 : 0)),
                  "\"></span><span class=\"reach\" "
                  "style=\"left:",
                  Percent(low), ";width:", Percent(high - low),
                  "\"></span><span class=\"point\" style=\"left:",
                  Percent(scale.Place(estimate.value())), "\"></span></div></div>\n");
  return out;
}

}  // namespace

std::string EffectPicture(const std::vector<const Estimate*>& estimates,
                          const study::v1::Quantity* margin, const ArmLabel& label) {
  const std::vector<const Estimate*> rows = Comparable(estimates);
  if (rows.empty()) return "";
  const Estimate& first = *rows[0];
  const bool same_unit = margin != nullptr && margin->value() > 0 && margin->unit() == first.unit();
  const double band = same_unit ? margin->value() : 0;
  const Scale scale = ScaleOf(rows, band);
  std::string out = "<div class=\"effects\">\n";
  for (const Estimate* row : rows) {
    absl::StrAppend(&out, Row(*row, scale, band,
                              absl::StrCat(label(row->arm()), " against ", label(row->against()))));
  }
  absl::StrAppend(&out, "<div class=\"ticks\" aria-hidden=\"true\">");
  for (const double tick : Ticks(scale)) {
    absl::StrAppend(&out, "<span style=\"left:", Percent(scale.Place(tick)), "\">",
                    Escaped(NumberWords(tick)), "</span>");
  }
  const Sides sides =
      rows.size() == 1 ? SidesOf(first, label(first.arm())) : SidesOf(first, "the arm");
  absl::StrAppend(&out, "</div>\n<div class=\"sides\"><span>← ", Escaped(sides.left),
                  "</span><span>", Escaped(sides.right), " →</span></div>\n");
  std::string key =
      absl::StrCat("Diamond: estimate (", MeasureWords(first.measure()),
                   UnitWords(first.unit()).empty() ? "" : ", ", UnitWords(first.unit()),
                   "). Bar: interval. Dashed line: no difference.");
  if (band > 0) {
    absl::StrAppend(&key, " Shaded: differences below ", NumberWords(band), " ",
                    UnitWords(margin->unit()), ", declared too small to matter.");
  }
  absl::StrAppend(&out, "<p class=\"small\">", Escaped(key), "</p>\n</div>\n");
  return out;
}

}  // namespace plumule::cli
