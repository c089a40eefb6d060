#include "plugins/sdk/judgement.h"

namespace plumule::sdk {

Judgement Judge(const JudgedInterval& interval, std::optional<double> margin) {
  if (!interval.lower || !interval.upper || interval.blocks < kFewestBlocks) {
    return Judgement::kCannotTell;
  }
  const double lower = *interval.lower;
  const double upper = *interval.upper;
  if (margin) {
    if (upper <= -*margin) return Judgement::kLowerMatters;
    if (lower >= *margin) return Judgement::kHigherMatters;
    if (lower > -*margin && upper < *margin) return Judgement::kNoneThatMatters;
  }
  if (upper < 0) return Judgement::kLower;
  if (lower > 0) return Judgement::kHigher;
  return Judgement::kCannotTell;
}

}  // namespace plumule::sdk
