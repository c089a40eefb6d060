#include "server/analysis/quote_check.h"

#include <cmath>

#include "absl/strings/ascii.h"
#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/strip.h"

namespace plumule::analysis {
namespace {

constexpr absl::string_view kTypographicMinus = "\xe2\x88\x92";
// Part of a step by which a product may miss the middle between two neighbors and still be rounded
// to either: other languages and libraries round such ties differently.
constexpr double kTieTolerance = 1e-9;

bool IsDigit(char c) { return absl::ascii_isdigit(static_cast<unsigned char>(c)); }

// True if the number that ends in front of `rest` goes on there: "9" in "95", "9.5" and "9,5".
bool GoesOn(absl::string_view rest) {
  if (rest.empty()) return false;
  if (IsDigit(rest[0])) return true;
  return (rest[0] == '.' || rest[0] == ',') && rest.size() > 1 && IsDigit(rest[1]);
}

// True if a number that starts behind `before` has begun there already.
bool HasBegun(absl::string_view before) {
  if (before.empty()) return false;
  if (IsDigit(before.back())) return true;
  const char last = before.back();
  return (last == '.' || last == ',') && before.size() > 1 && IsDigit(before[before.size() - 2]);
}

struct ShownNumber {
  double value = 0;
  bool negative = false;
};

// Digits with exactly `decimals` of them after a point, and a minus before them if need be.
bool ReadShown(absl::string_view shown, int decimals, ShownNumber* number) {
  number->negative =
      absl::ConsumePrefix(&shown, "-") || absl::ConsumePrefix(&shown, kTypographicMinus);
  const size_t point = decimals == 0 ? shown.size() : shown.find('.');
  if (point == 0 || point == absl::string_view::npos) return false;
  if (decimals > 0 && shown.size() - point - 1 != static_cast<size_t>(decimals)) return false;
  for (size_t i = 0; i < shown.size(); ++i) {
    if (i != point && !IsDigit(shown[i])) return false;
  }
  if (!absl::SimpleAtod(shown, &number->value)) return false;
  if (number->negative) number->value = -number->value;
  return true;
}

}  // namespace

bool StandsAsNumberIn(absl::string_view shown, absl::string_view text) {
  if (shown.empty()) return false;
  for (size_t at = text.find(shown); at != absl::string_view::npos; at = text.find(shown, at + 1)) {
    if (!HasBegun(text.substr(0, at)) && !GoesOn(text.substr(at + shown.size()))) return true;
  }
  return false;
}

std::string QuoteDisagreement(absl::string_view shown, double value, double factor, int decimals,
                              bool absolute) {
  ShownNumber number;
  if (!ReadShown(shown, decimals, &number)) {
    return absl::StrCat("`shown` must be digits with exactly ", decimals, " after the point");
  }
  double product = value * (factor == 0 ? 1 : factor);
  if (absolute) product = std::fabs(product);
  if (!std::isfinite(product)) return "the source is not a finite number";
  if (number.negative && number.value == 0) return "zero is written without a minus";
  const double step = std::pow(10.0, -decimals);
  const double tolerance = step * (0.5 + kTieTolerance) + std::fabs(product) * 1e-15;
  if (std::fabs(number.value - product) <= tolerance) return "";
  return absl::StrFormat("the words say %s where the source rounds to %.*f", shown, decimals,
                         product);
}

}  // namespace plumule::analysis
