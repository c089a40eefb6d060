#ifndef PLUMULE_PLUGINS_SDK_PALETTE_H_
#define PLUMULE_PLUGINS_SDK_PALETTE_H_

#include <string>
#include <string_view>
#include <vector>

namespace plumule::sdk {

// How an arm is drawn. No two of twelve arms share color, dash and shape at once, and the six
// colors alone stay apart in normal, protan, deutan and tritan vision; every one has a contrast of
// at least 4.5 on white, so it serves for text too (WCAG 2.2, 1.4.3 and 1.4.11). A color never
// carries the meaning alone: arms are labelled where they are drawn.
struct ArmStyle {
  std::string_view color;  // "#rrggbb"
  std::vector<int> dash;   // Vega-Lite strokeDash; empty: solid
  std::string_view shape;  // Vega-Lite point shape
};

// Number of distinct styles; ArmStyleOf() repeats them beyond.
inline constexpr int kArmStyles = 12;

// Style of the arm at a position (0 …) in the protocol.
ArmStyle ArmStyleOf(int position);

// Text and axes; marks that belong to no arm; grid lines (no meaning, so no contrast wanted).
inline constexpr std::string_view kInk = "#1c2321";
inline constexpr std::string_view kMark = "#33413c";
inline constexpr std::string_view kGrid = "#e3e8e5";

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_PALETTE_H_
