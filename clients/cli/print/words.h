#pragma once

#include <cstdint>
#include <string>

#include "absl/strings/string_view.h"
#include "plumule/analysis/v1/result.pb.h"

namespace plumule::cli {

// How the names and numbers of a result are written for people, in the terminal and in reports.
// Names without words of their own are written with spaces for underscores.

// "difference in restricted mean time" for `restricted_mean_difference`.
std::string MeasureWords(absl::string_view measure);
// "Cox, stratified by block" for `cox_stratified_by_block`; also names of tests and sets of units.
std::string MethodWords(absl::string_view method);
// "days" for "d"; "" for "1".
std::string UnitWords(absl::string_view unit);
// Four significant digits, without exponent between 0.0001 and 1e6: "9.125", "0.04", "1523".
std::string NumberWords(double number);
// "0.034", "below 0.001".
std::string PValueWords(double p_value);
// "−9.1 days", or "can't be estimated".
std::string ValueWords(const analysis::v1::Estimate& estimate);
// "95 % interval −14 to −4.2"; says which side is open; "" without limits.
std::string IntervalWords(const analysis::v1::Estimate& estimate);
// The same without its head, for columns headed "95 % interval": "−14 to −4.2".
std::string LimitWords(const analysis::v1::Estimate& estimate);
// "95 % interval" for 0.95.
std::string LevelWords(double level);
// "1 unit", "2 units".
std::string Counted(int64_t count, absl::string_view noun);
// "coat_off − coat_on", "coat_off ÷ coat_on" for ratios, "coat_off", or "all units"; with the
// subgroup in brackets.
std::string ContrastWords(const analysis::v1::Estimate& estimate);
// "at day 60", "at half of the units"; "" without `at`.
std::string AtWords(const analysis::v1::Estimate& estimate);
std::string StandingWords(analysis::v1::Standing standing);
std::string VerdictWords(analysis::v1::Verdict verdict);
std::string StatusWords(analysis::v1::ResultStatus status);

// True if the measure compares by dividing (its neutral value is 1).
bool IsRatio(absl::string_view measure);

}  // namespace plumule::cli
