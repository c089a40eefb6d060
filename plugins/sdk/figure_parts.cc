#include "plugins/sdk/figure_parts.h"

#include <cmath>
#include <utility>

#include "absl/strings/ascii.h"
#include "plugins/sdk/palette.h"

namespace plumule::sdk {
namespace {

Json Config() {
  return {{"background", "white"},
          {"font", "sans-serif"},
          {"view", {{"stroke", nullptr}}},
          {"axis",
           {{"labelColor", kInk},
            {"titleColor", kInk},
            {"gridColor", kGrid},
            {"domainColor", kMark},
            {"tickColor", kMark},
            {"labelFontSize", 12},
            {"titleFontSize", 13},
            {"titleFontWeight", "normal"}}}};
}

}  // namespace

double Seen(double value) {
  if (value == 0 || !std::isfinite(value)) return 0;
  const double scale = std::pow(10.0, 4 - std::floor(std::log10(std::abs(value))));
  return std::round(value * scale) / scale;
}

Json Seen(const std::optional<double>& value) { return value ? Json(Seen(*value)) : Json(nullptr); }

std::string Inert(std::string label) {
  static constexpr std::pair<absl::string_view, std::size_t> kSpaced[] = {
      {"//", 1}, {"url(", 3}, {"javascript:", 10}, {"data:", 4}};
  for (const auto& [pattern, place] : kSpaced) {
    for (std::size_t at = 0;
         (at = absl::AsciiStrToLower(label).find(std::string(pattern), at)) != std::string::npos;
         at += place) {
      label.insert(at + place, 1, ' ');
    }
  }
  return label;
}

Json PanelTitle(const std::string& label) {
  return {{"text", label},
          {"anchor", "start"},
          {"fontSize", 13},
          {"fontWeight", "bold"},
          {"color", kInk}};
}

analysis::v1::Figure MakeFigure(absl::string_view id, absl::string_view title,
                                absl::string_view caption, const Json& specification,
                                std::string text_alternative) {
  Json whole = {{"$schema", "https://vega.github.io/schema/vega-lite/v5.json"},
                {"config", Config()}};
  whole.update(specification);
  analysis::v1::Figure figure;
  figure.set_id(std::string(id));
  figure.set_title(std::string(title));
  figure.set_caption(std::string(caption));
  figure.set_vega_lite(whole.dump());
  figure.set_text_alternative(std::move(text_alternative));
  return figure;
}

}  // namespace plumule::sdk
