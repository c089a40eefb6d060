#ifndef PLUMULE_PLUGINS_SDK_JUDGEMENT_H_
#define PLUMULE_PLUGINS_SDK_JUDGEMENT_H_

#include <cstdint>
#include <optional>

namespace plumule::sdk {

// What an interval says about a difference, given the smallest one that would matter.
enum class Judgement {
  kCannotTell,       // no interval, or it reaches from below to above what matters
  kLowerMatters,     // every value of the interval is −margin or less
  kHigherMatters,    // every value is margin or more
  kNoneThatMatters,  // every value lies between −margin and margin
  kLower,            // below 0, but perhaps by less than the margin; or no margin was declared
  kHigher,
};

// An interval of a difference (0: no difference).
struct JudgedInterval {
  std::optional<double> lower;
  std::optional<double> upper;
  std::int64_t blocks = 0;  // that went in
};

// Fewest blocks on which anything is told: below 6 pairs no two-sided sign test can reach 0.05
// (its least p-value is 2/2ⁿ), so whatever the formula of an interval says, it is not leaned on.
inline constexpr std::int64_t kFewestBlocks = 6;

// Fewer blocks than this are worth a warning (common practice, no source).
inline constexpr std::int64_t kComfortableBlocks = 12;

// `margin` > 0, or absent: none was declared. The whole interval decides, never the estimate alone:
// it must leave no doubt about the words. Too few blocks: kCannotTell.
Judgement Judge(const JudgedInterval& interval, std::optional<double> margin);

}  // namespace plumule::sdk

#endif  // PLUMULE_PLUGINS_SDK_JUDGEMENT_H_
