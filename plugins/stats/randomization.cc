#include "plugins/stats/randomization.h"

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <cstddef>
#include <numeric>
#include <random>
#include <tuple>
#include <utility>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plugins/stats/compensated_sum.h"

namespace plumule::stats {
namespace {

constexpr int kMostExactBits = 40;
constexpr std::int64_t kMostDraws = 1'000'000'000;
constexpr double kEqual = 1e-10;

// Scores of a block with units of both arms, less their mean, ascending; `treated` of them are
// assigned to treatment.
struct Block {
  std::vector<double> score = {};
  std::size_t treated = 0;
  double observed = 0;  // sum of the treated
};

absl::Status Check(const ScoredUnits& units, const RandomizationOptions& options) {
  const std::size_t n = units.score.size();
  if (units.treated.size() != n || (!units.block.empty() && units.block.size() != n)) {
    return absl::InvalidArgumentError(
        absl::StrCat("there are ", n, " scores, ", units.treated.size(), " marks of treatment and ",
                     units.block.size(), " blocks; there must be as many of each"));
  }
  for (std::size_t row = 0; row < n; ++row) {
    if (std::isfinite(units.score[row]) && units.treated[row] <= 1) continue;
    return absl::InvalidArgumentError(absl::StrCat(
        "row ", row, " has score ", units.score[row], " and treatment ",
        static_cast<int>(units.treated[row]), "; a score is finite, treatment is 0 or 1"));
  }
  const auto treated = std::count(units.treated.begin(), units.treated.end(), std::uint8_t{1});
  if (treated == 0 || treated == static_cast<std::ptrdiff_t>(n)) {
    return absl::InvalidArgumentError("there must be treated units and others");
  }
  if (options.exact_bits < 1 || options.exact_bits > kMostExactBits || options.draws < 1 ||
      options.draws > kMostDraws) {
    return absl::InvalidArgumentError(
        absl::StrCat("exact_bits is ", options.exact_bits, " and draws ", options.draws,
                     "; they must lie between 1 and ", kMostExactBits, ", and 1 and ", kMostDraws));
  }
  return absl::OkStatus();
}

// Blocks with both arms, in an order that their labels and that of rows don't touch.
std::vector<Block> Exchangeable(const ScoredUnits& units) {
  std::vector<std::size_t> rows(units.score.size());
  std::iota(rows.begin(), rows.end(), std::size_t{0});
  const auto block_of = [&](std::size_t row) { return units.block.empty() ? 0 : units.block[row]; };
  const auto key = [&](std::size_t row) {
    return std::tuple(block_of(row), units.score[row], units.treated[row]);
  };
  std::sort(rows.begin(), rows.end(),
            [&](std::size_t a, std::size_t b) { return key(a) < key(b); });
  std::vector<Block> blocks;
  for (std::size_t first = 0, last = 0; first < rows.size(); first = last) {
    Block block;
    CompensatedSum sum;
    while (last < rows.size() && block_of(rows[last]) == block_of(rows[first])) {
      block.score.push_back(units.score[rows[last]]);
      block.treated += units.treated[rows[last]];
      sum.Add(units.score[rows[last++]]);
    }
    if (block.treated == 0 || block.treated == block.score.size()) continue;
    const double mean = sum.value() / static_cast<double>(block.score.size());
    for (double& score : block.score) score -= mean;
    for (std::size_t row = first; row < last; ++row) {
      if (units.treated[rows[row]] != 0) block.observed += block.score[row - first];
    }
    blocks.push_back(std::move(block));
  }
  std::sort(blocks.begin(), blocks.end(), [](const Block& a, const Block& b) {
    return std::tie(a.score, a.treated, a.observed) < std::tie(b.score, b.treated, b.observed);
  });
  return blocks;
}

double Choices(const Block& block) {
  double choices = 1;
  for (std::size_t i = 0; i < block.treated; ++i) {
    choices *= static_cast<double>(block.score.size() - i) / static_cast<double>(i + 1);
  }
  return std::round(choices);
}

// Adds each choice of `left` of the scores from `first` on to `sum`.
void ListChoices(const Block& block, std::size_t first, std::size_t left, double sum,
                 std::vector<double>& sums) {
  if (left == 0) {
    sums.push_back(sum);
    return;
  }
  for (std::size_t i = first; i + left <= block.score.size(); ++i) {
    ListChoices(block, i + 1, left - 1, sum + block.score[i], sums);
  }
}

// All sums of the treated over some blocks, ascending.
std::vector<double> ListSums(std::span<const Block> blocks) {
  std::vector<double> sums = {0};
  for (const Block& block : blocks) {
    std::vector<double> choices;
    ListChoices(block, 0, block.treated, 0, choices);
    std::vector<double> longer;
    longer.reserve(sums.size() * choices.size());
    for (const double sum : sums) {
      for (const double choice : choices) longer.push_back(sum + choice);
    }
    sums = std::move(longer);
  }
  std::sort(sums.begin(), sums.end());
  return sums;
}

// Pairs of an entry of each list that add up to at most `bound`.
double CountUpTo(const std::vector<double>& a, const std::vector<double>& b, double bound) {
  double count = 0;
  std::size_t fitting = b.size();
  for (const double x : a) {
    while (fitting > 0 && x + b[fitting - 1] > bound) --fitting;
    count += static_cast<double>(fitting);
  }
  return count;
}

// How the arrangements of all blocks are listed: in two halves.
struct Enumeration {
  std::size_t split = 0;  // blocks of the first half
  double arrangements = 1;
};

// Nothing where there are too many, in all or in one half.
std::optional<Enumeration> Enumerable(std::span<const Block> blocks, int exact_bits) {
  constexpr double kUnevenBits = 3;  // by which a half may be larger than the other
  std::vector<double> bits;
  for (const Block& block : blocks) bits.push_back(std::log2(Choices(block)));
  const double all = std::accumulate(bits.begin(), bits.end(), 0.0);
  if (all > exact_bits) return std::nullopt;
  Enumeration enumeration;
  double first = 0;
  while (enumeration.split < bits.size() && first < all / 2) first += bits[enumeration.split++];
  if (first > exact_bits / 2.0 + kUnevenBits) return std::nullopt;
  for (const Block& block : blocks) enumeration.arrangements *= Choices(block);
  return enumeration;
}

std::vector<double> Negated(const std::vector<double>& ascending) {
  std::vector<double> negated(ascending.rbegin(), ascending.rend());
  for (double& value : negated) value = -value;
  return negated;
}

// Arrangements whose sum lies `distance` (above 0) or more from 0.
double CountAsFar(std::span<const Block> blocks, const Enumeration& enumeration, double distance) {
  const std::vector<double> first = ListSums(blocks.first(enumeration.split));
  const std::vector<double> last = ListSums(blocks.subspan(enumeration.split));
  return CountUpTo(first, last, -distance) + CountUpTo(Negated(first), Negated(last), -distance);
}

// Draws the sum of the treated. Pairs, the common case, stand apart: a bit each.
class Lottery {
 public:
  Lottery(std::span<const Block> blocks, std::uint64_t seed) : engine_(seed) {
    for (const Block& block : blocks) {
      if (block.score.size() == 2) {
        pair_.push_back(block.score[1]);
      } else {
        others_.push_back(&block);
      }
    }
  }

  double Draw() {
    double sum = DrawPairs();
    for (const Block* block : others_) sum += DrawSum(*block);
    return sum;
  }

 private:
  // 64 signs of a random number at a time, on four sums that don't wait for each other.
  double DrawPairs() {
    std::array<double, 4> sums = {};
    for (std::size_t first = 0; first < pair_.size(); first += 64) {
      const std::uint64_t signs = engine_();
      const std::size_t count = std::min<std::size_t>(64, pair_.size() - first);
      for (std::size_t i = 0; i < count; ++i) {
        const std::uint64_t sign = (signs >> i) << 63;
        sums[i % 4] += std::bit_cast<double>(std::bit_cast<std::uint64_t>(pair_[first + i]) ^ sign);
      }
    }
    return (sums[0] + sums[1]) + (sums[2] + sums[3]);
  }

  // 0 … n − 1, off uniform by less than n / 2^32.
  std::size_t Below(std::size_t n) {
    return static_cast<std::size_t>(((engine_() >> 32) * static_cast<std::uint64_t>(n)) >> 32);
  }

  // Without replacement: selection in order (Knuth, The Art of Computer Programming 2, §3.4.2,
  // algorithm S).
  double DrawSum(const Block& block) {
    double sum = 0;
    std::size_t left = block.treated;
    for (std::size_t i = 0; left > 0; ++i) {
      if (Below(block.score.size() - i) >= left) continue;
      sum += block.score[i];
      --left;
    }
    return sum;
  }

  std::mt19937_64 engine_;
  std::vector<double> pair_;
  std::vector<const Block*> others_;
};

double MeanDifference(const ScoredUnits& units) {
  CompensatedSum treated, others;
  double count = 0;
  for (std::size_t row = 0; row < units.score.size(); ++row) {
    (units.treated[row] != 0 ? treated : others).Add(units.score[row]);
    count += units.treated[row];
  }
  return treated.value() / count -
         others.value() / (static_cast<double>(units.score.size()) - count);
}

}  // namespace

absl::StatusOr<RandomizationTest> TestRandomizationWithinBlock(
    const ScoredUnits& units, const RandomizationOptions& options) {
  if (absl::Status status = Check(units, options); !status.ok()) return status;
  const std::vector<Block> blocks = Exchangeable(units);

  RandomizationTest test{.difference = MeanDifference(units),
                         .exchanged = static_cast<std::int64_t>(blocks.size())};
  const auto enumeration = Enumerable(blocks, options.exact_bits);
  test.exact = enumeration.has_value();
  if (enumeration) test.arrangements = enumeration->arrangements;

  CompensatedSum observed, largest;
  double spread = 0;
  for (const Block& block : blocks) {
    observed.Add(block.observed);
    for (const double score : block.score) largest.Add(std::abs(score));
    spread = std::max(spread, block.score.back() - block.score.front());
  }
  const double tolerance = kEqual * largest.value();
  if (spread <= tolerance) return test;
  const double distance = std::abs(observed.value()) - tolerance;
  if (distance <= 0) {
    test.p_value = 1;
    return test;
  }
  if (enumeration) {
    test.p_value = CountAsFar(blocks, *enumeration, distance) / enumeration->arrangements;
    return test;
  }
  Lottery lottery(blocks, options.seed);
  std::int64_t as_far = 0;
  for (std::int64_t draw = 0; draw < options.draws; ++draw) {
    as_far += std::abs(lottery.Draw()) >= distance ? 1 : 0;
  }
  test.draws = options.draws;
  test.p_value = static_cast<double>(1 + as_far) / static_cast<double>(1 + options.draws);
  return test;
}

}  // namespace plumule::stats
