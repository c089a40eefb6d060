#include "plugins/stats/paired_proportion.h"

#include <algorithm>
#include <boost/math/distributions/binomial.hpp>
#include <cmath>
#include <cstdlib>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"
#include "plugins/stats/proportion.h"

namespace plumule::stats {
namespace {

std::int64_t Total(const PairedCounts& pairs) {
  return pairs.both + pairs.arm_only + pairs.against_only + pairs.neither;
}

absl::Status CheckPairs(const PairedCounts& pairs) {
  if (std::min({pairs.both, pairs.arm_only, pairs.against_only, pairs.neither}) < 0) {
    return absl::InvalidArgumentError(absl::StrCat(
        "pairs are ", pairs.both, " both, ", pairs.arm_only, " arm only, ", pairs.against_only,
        " against only, ", pairs.neither, " neither; counts cannot be negative"));
  }
  if (Total(pairs) == 0) return absl::InvalidArgumentError("there are no pairs to compare");
  return absl::OkStatus();
}

// Correlation of success within pairs, pulled toward 0 when positive.
double ReducedPhi(const PairedCounts& pairs) {
  const auto a = static_cast<double>(pairs.both);
  const auto b = static_cast<double>(pairs.arm_only);
  const auto c = static_cast<double>(pairs.against_only);
  const auto d = static_cast<double>(pairs.neither);
  const double margins = (a + b) * (c + d) * (a + c) * (b + d);
  if (margins == 0) return 0;
  const double excess = a * d - b * c;
  const double reduced = excess > 0 ? std::max(excess - (a + b + c + d) / 2, 0.0) : excess;
  return reduced / std::sqrt(margins);
}

// Length of x − y for vectors of lengths x, y with correlation φ between them.
double CorrelatedDistance(double x, double y, double phi) {
  return std::sqrt(std::max(0.0, x * x - 2 * phi * x * y + y * y));
}

struct Discordant {
  std::int64_t fewer;
  std::int64_t total;
};

Discordant DiscordantOf(const PairedCounts& pairs) {
  return {.fewer = std::min(pairs.arm_only, pairs.against_only),
          .total = pairs.arm_only + pairs.against_only};
}

}  // namespace

absl::StatusOr<ProportionDifference> NewcombePaired(const PairedCounts& pairs, double confidence) {
  if (absl::Status status = CheckPairs(pairs); !status.ok()) return status;
  const std::int64_t n = Total(pairs);
  const auto arm = Wilson(pairs.both + pairs.arm_only, n, confidence);
  if (!arm.ok()) return arm.status();
  const auto against = Wilson(pairs.both + pairs.against_only, n, confidence);
  if (!against.ok()) return against.status();
  const double phi = ReducedPhi(pairs);
  const double difference =
      static_cast<double>(pairs.arm_only - pairs.against_only) / static_cast<double>(n);
  const double below = CorrelatedDistance(arm->share - arm->limits.lower,
                                          against->limits.upper - against->share, phi);
  const double above = CorrelatedDistance(arm->limits.upper - arm->share,
                                          against->share - against->limits.lower, phi);
  return ProportionDifference{.difference = difference,
                              .limits = {.lower = difference - below, .upper = difference + above}};
}

absl::StatusOr<ChiSquareTest> McNemar(const PairedCounts& pairs, Continuity continuity) {
  if (absl::Status status = CheckPairs(pairs); !status.ok()) return status;
  const std::int64_t discordant = pairs.arm_only + pairs.against_only;
  if (discordant == 0) return ReferToChiSquare(0, 0);
  auto difference = static_cast<double>(std::abs(pairs.arm_only - pairs.against_only));
  if (continuity == Continuity::kCorrected) difference = std::max(0.0, difference - 1);
  return ReferToChiSquare(difference * difference / static_cast<double>(discordant), 1);
}

absl::StatusOr<double> McNemarExact(const PairedCounts& pairs) {
  if (absl::Status status = CheckPairs(pairs); !status.ok()) return status;
  const Discordant discordant = DiscordantOf(pairs);
  if (discordant.total == 0) return 1;
  return BinomialTest(discordant.fewer, discordant.total);
}

absl::StatusOr<double> McNemarMidP(const PairedCounts& pairs) {
  const auto exact = McNemarExact(pairs);
  if (!exact.ok()) return exact.status();
  const Discordant discordant = DiscordantOf(pairs);
  if (discordant.total == 0) return 1;
  const double observed =
      boost::math::pdf(boost::math::binomial(static_cast<double>(discordant.total), 0.5),
                       static_cast<double>(discordant.fewer));
  const bool balanced = 2 * discordant.fewer == discordant.total;
  return *exact - (balanced ? observed / 2 : observed);
}

}  // namespace plumule::stats
