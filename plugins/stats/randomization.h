#ifndef PLUMULE_PLUGINS_STATS_RANDOMIZATION_H_
#define PLUMULE_PLUGINS_STATS_RANDOMIZATION_H_

#include <cstdint>
#include <optional>
#include <span>

#include "absl/status/statusor.h"

namespace plumule::stats {

// Scores of units of two arms, one row a unit, in any order.
struct ScoredUnits {
  std::span<const double> score = {};          // finite; fixed before arms are looked at
  std::span<const std::uint8_t> treated = {};  // 0 or 1
  std::span<const std::int32_t> block = {};    // any label; an empty span is one block
};

struct RandomizationOptions {
  // Enumerated where the choices of all blocks multiply to at most 2 to this power; 1 … 40. Memory
  // and time are those of two lists of half as many bits, or 3 more.
  int exact_bits = 34;
  std::int64_t draws = 9999;  // else so many arrangements are drawn; 1 … 1e9
  std::uint64_t seed = 0;
};

struct RandomizationTest {
  double difference = 0;  // mean score of treated units less that of the others
  // Two-sided: the share of arrangements whose treated sum lies as far from its expectation as the
  // observed one or farther; drawn, (1 + such) ÷ (1 + draws). Absent when no arrangement changes
  // the sum.
  std::optional<double> p_value = std::nullopt;
  bool exact = false;
  double arrangements = 0;     // exact: their number, one where nothing can be exchanged
  std::int64_t draws = 0;      // of Monte Carlo
  std::int64_t exchanged = 0;  // blocks with units of both arms
};

// Test `randomization_within_block` (Fisher 1935, The Design of Experiments, §21; Monte Carlo
// p-value of Davison & Hinkley 1997, §4.2.5). Under the sharp null hypothesis that no unit would
// have fared otherwise in the other arm, every assignment of a block's units to its numbers of
// treated and other units was as likely as the one that was drawn, whatever units of a block have
// in common. Blocks with one arm stay as they are. Sums within 1e-10 of the largest possible count
// as equal.
//
// Exact: sums of the first blocks and of the last are listed and sorted, and pairs counted. Order
// of rows and labels of blocks change no digit.
//
// INVALID_ARGUMENT for lengths that differ, a score that is not finite, options out of range, or
// when either arm has no units. O(n log n + 2^(exact_bits / 2) exact_bits) or O(n log n + n draws).
absl::StatusOr<RandomizationTest> TestRandomizationWithinBlock(const ScoredUnits& units,
                                                               const RandomizationOptions& options);

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_RANDOMIZATION_H_
