#include "plugins/sdk/palette.h"

#include <array>

namespace plumule::sdk {
namespace {

constexpr std::array<std::string_view, 6> kColors = {"#136f6f", "#cc4405", "#0f0c3d",
                                                     "#a537bf", "#3f0a0b", "#7401f5"};
constexpr std::array<std::string_view, 6> kShapes = {"circle",  "square",        "triangle-up",
                                                     "diamond", "triangle-down", "cross"};
const std::array<std::vector<int>, 6>& Dashes() {
  static const std::array<std::vector<int>, 6> dashes = {
      {{}, {7, 3}, {2, 2}, {9, 3, 2, 3}, {12, 4}, {4, 2, 1, 2, 1, 2}}};
  return dashes;
}

}  // namespace

ArmStyle ArmStyleOf(int position) {
  const auto slot = static_cast<std::size_t>(position % kArmStyles);
  // The second six take the same colors with the next dash and shape.
  const std::size_t color = slot % 6;
  const std::size_t form = (slot + slot / 6) % 6;
  return {kColors[color], Dashes()[form], kShapes[form]};
}

}  // namespace plumule::sdk
