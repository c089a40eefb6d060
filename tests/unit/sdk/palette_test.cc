#include "plugins/sdk/palette.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdlib>
#include <set>
#include <string>
#include <tuple>

namespace plumule::sdk {
namespace {

using Color = std::array<double, 3>;

// Linear light of "#rrggbb" (WCAG 2.2, relative luminance).
Color Linear(std::string_view hex) {
  Color color;
  for (std::size_t i = 0; i < 3; ++i) {
    const std::string digits(hex.substr(1 + 2 * i, 2));
    const double c = static_cast<double>(std::strtol(digits.c_str(), nullptr, 16)) / 255;
    color[i] = c <= 0.04045 ? c / 12.92 : std::pow((c + 0.055) / 1.055, 2.4);
  }
  return color;
}

double ContrastOnWhite(std::string_view hex) {
  const Color c = Linear(hex);
  return 1.05 / (0.2126 * c[0] + 0.7152 * c[1] + 0.0722 * c[2] + 0.05);
}

// Full-strength matrices of Machado, Oliveira & Fernandes (2009), IEEE Trans Vis Comput Graph
// 15:1291 (values from memory): normal, protan, deutan, tritan.
constexpr std::array<std::array<Color, 3>, 4> kVisions = {{
    {{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}},
    {{{0.152286, 1.052583, -0.204868},
      {0.114503, 0.786281, 0.099216},
      {-0.003882, -0.048116, 1.051998}}},
    {{{0.367322, 0.860646, -0.227968},
      {0.280085, 0.672501, 0.047413},
      {-0.011820, 0.042940, 0.968881}}},
    {{{1.255528, -0.076749, -0.178779},
      {-0.078411, 0.930809, 0.147602},
      {0.004733, 0.691367, 0.303900}}},
}};

// CIE 1976 L*a*b* under D65 of a color as a vision sees it.
Color Lab(std::string_view hex, const std::array<Color, 3>& vision) {
  const Color in = Linear(hex);
  Color seen;
  for (std::size_t i = 0; i < 3; ++i) {
    seen[i] =
        std::clamp(vision[i][0] * in[0] + vision[i][1] * in[1] + vision[i][2] * in[2], 0.0, 1.0);
  }
  const auto f = [](double t) { return t > 0.008856 ? std::cbrt(t) : 7.787 * t + 16.0 / 116; };
  const double x = f((0.4124 * seen[0] + 0.3576 * seen[1] + 0.1805 * seen[2]) / 0.9505);
  const double y = f(0.2126 * seen[0] + 0.7152 * seen[1] + 0.0722 * seen[2]);
  const double z = f((0.0193 * seen[0] + 0.1192 * seen[1] + 0.9505 * seen[2]) / 1.089);
  return {116 * y - 16, 500 * (x - y), 200 * (y - z)};
}

TEST(Palette, EveryColorCanBeReadOnWhite) {
  for (int i = 0; i < kArmStyles; ++i) {
    EXPECT_GE(ContrastOnWhite(ArmStyleOf(i).color), 4.5) << ArmStyleOf(i).color;
  }
  EXPECT_GE(ContrastOnWhite(kInk), 4.5);
  EXPECT_GE(ContrastOnWhite(kMark), 3);
}

TEST(Palette, ColorsStayApartInEveryVision) {
  for (const auto& vision : kVisions) {
    for (int a = 0; a < 6; ++a) {
      for (int b = a + 1; b < 6; ++b) {
        const Color one = Lab(ArmStyleOf(a).color, vision);
        const Color other = Lab(ArmStyleOf(b).color, vision);
        const double apart = std::hypot(one[0] - other[0], one[1] - other[1], one[2] - other[2]);
        EXPECT_GE(apart, 20) << ArmStyleOf(a).color << " " << ArmStyleOf(b).color;
      }
    }
  }
}

TEST(Palette, NoTwoArmsAreDrawnAlike) {
  std::set<std::tuple<std::string_view, std::vector<int>, std::string_view>> styles;
  for (int i = 0; i < kArmStyles; ++i) {
    const ArmStyle style = ArmStyleOf(i);
    styles.emplace(style.color, style.dash, style.shape);
  }
  EXPECT_EQ(styles.size(), static_cast<std::size_t>(kArmStyles));
}

}  // namespace
}  // namespace plumule::sdk
