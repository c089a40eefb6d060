#ifndef PLUMULE_PLUGINS_SDK_WORDS_H_
#define PLUMULE_PLUGINS_SDK_WORDS_H_

#include <cstdint>
#include <span>
#include <string>

#include "absl/strings/string_view.h"
#include "plumule/study/v1/protocol.pb.h"

namespace plumule::sdk {

// The small change of sentences, so that every plugin writes numbers and nouns alike. Pure, any
// thread, never fails.

// Fixed point with `decimals` (0 to 6) digits after the point; "-0.0" is written "0.0".
std::string Decimal(double value, int decimals);

// A whole number where it is one, otherwise at most `decimals` digits without trailing zeros: 30,
// 12.5.
std::string Short(double value, int decimals);

// "1 seed", "3 seeds".
std::string Counted(std::int64_t count, absl::string_view singular, absl::string_view plural);

// "a", "a and b", "a, b and c".
std::string ListOf(std::span<const std::string> words);

// A label as it stands inside a sentence: “coat off”.
std::string Quoted(absl::string_view label);

// "95 % interval" for 0.95.
std::string IntervalWords(double level);

// A p-value to three decimals, never as 0: "0.012", "below 0.001".
std::string PValueWords(double p_value);

// What one experimental unit is called.
struct Noun {
  std::string singular;
  std::string plural;
};

// By `material.unit_kind`; "unit" where that is not stated.
Noun UnitNoun(const study::v1::Protocol& protocol);

// The text in the protocol's own language, or `otherwise` where it is empty.
std::string LabelOr(const study::v1::LocalizedText& text, absl::string_view otherwise);

// What the threshold of that id is called; the id itself where the protocol has no such label.
std::string ThresholdLabel(const study::v1::Protocol& protocol, const std::string& id);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_WORDS_H_
