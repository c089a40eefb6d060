#include "plugins/sdk/words.h"

#include <cmath>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"

namespace plumule::sdk {

std::string Decimal(double value, int decimals) {
  std::string text = absl::StrFormat("%.*f", decimals, value);
  const bool is_zero = text.find_first_of("123456789") == std::string::npos;
  return is_zero && text.front() == '-' ? text.substr(1) : text;
}

std::string Short(double value, int decimals) {
  std::string text = Decimal(value, decimals);
  if (text.find('.') == std::string::npos) return text;
  text.erase(text.find_last_not_of('0') + 1);
  if (text.back() == '.') text.pop_back();
  return text;
}

std::string Counted(std::int64_t count, absl::string_view singular, absl::string_view plural) {
  return absl::StrCat(count, " ", count == 1 ? singular : plural);
}

std::string ListOf(std::span<const std::string> words) {
  std::string list;
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (i > 0) list += i + 1 == words.size() ? " and " : ", ";
    list += words[i];
  }
  return list;
}

std::string Quoted(absl::string_view label) { return absl::StrCat("“", label, "”"); }

std::string IntervalWords(double level) {
  return absl::StrCat(Short(100 * level, 2), " % interval");
}

std::string PValueWords(double p_value) {
  return p_value < 0.0005 ? "below 0.001" : Decimal(p_value, 3);
}

Noun UnitNoun(const study::v1::Protocol& protocol) {
  switch (protocol.material().unit_kind()) {
    case study::v1::UNIT_KIND_SEED:
      return {"seed", "seeds"};
    case study::v1::UNIT_KIND_CUTTING:
      return {"cutting", "cuttings"};
    case study::v1::UNIT_KIND_TRAY:
      return {"tray", "trays"};
    case study::v1::UNIT_KIND_POT:
      return {"pot", "pots"};
    default:
      return {"unit", "units"};
  }
}

std::string LabelOr(const study::v1::LocalizedText& text, absl::string_view otherwise) {
  return text.text().empty() ? std::string(otherwise) : text.text();
}

std::string ThresholdLabel(const study::v1::Protocol& protocol, const std::string& id) {
  for (const auto& threshold : protocol.thresholds()) {
    if (threshold.id() == id) return LabelOr(threshold.label(), id);
  }
  return id;
}

}  // namespace plumule::sdk
