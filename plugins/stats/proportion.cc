#include "plugins/stats/proportion.h"

#include <algorithm>
#include <boost/math/distributions/beta.hpp>
#include <boost/math/distributions/binomial.hpp>
#include <cmath>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"

namespace plumule::stats {
namespace {

absl::Status CheckProportion(std::int64_t successes, std::int64_t trials, double confidence) {
  if (absl::Status status = CheckTrials(successes, trials); !status.ok()) return status;
  return CheckConfidence(confidence);
}

Proportion PointEstimate(std::int64_t successes, std::int64_t trials) {
  return {.successes = successes,
          .trials = trials,
          .share = static_cast<double>(successes) / static_cast<double>(trials)};
}

// Counts in [first, last] no likelier than `most`, where probability rises with the count (or falls
// with it): how many of them lie at the unlikely end. Binary search.
template <typename Probability>
std::int64_t CountUnlikely(std::int64_t size, Probability from_unlikely_end, double most) {
  std::int64_t low = 0, high = size;
  while (low < high) {
    const std::int64_t middle = low + (high - low) / 2;
    if (from_unlikely_end(middle) <= most) {
      low = middle + 1;
    } else {
      high = middle;
    }
  }
  return low;
}

}  // namespace

absl::StatusOr<Proportion> Wilson(std::int64_t successes, std::int64_t trials, double confidence) {
  if (auto status = CheckProportion(successes, trials, confidence); !status.ok()) return status;
  Proportion result = PointEstimate(successes, trials);
  const auto n = static_cast<double>(trials);
  const auto x = static_cast<double>(successes);
  const double z = TwoSidedNormalQuantile(confidence);
  const double half_width = z * std::sqrt(x * (n - x) / n + z * z / 4);
  const double center = x + z * z / 2;
  // At the ends the two terms cancel exactly; arithmetic would leave a trace.
  result.limits.lower = successes == 0 ? 0 : (center - half_width) / (n + z * z);
  result.limits.upper = successes == trials ? 1 : (center + half_width) / (n + z * z);
  return result;
}

absl::StatusOr<Proportion> ClopperPearson(std::int64_t successes, std::int64_t trials,
                                          double confidence) {
  if (auto status = CheckProportion(successes, trials, confidence); !status.ok()) return status;
  Proportion result = PointEstimate(successes, trials);
  const auto x = static_cast<double>(successes);
  const auto misses = static_cast<double>(trials - successes);
  const double tail = (1 - confidence) / 2;
  result.limits = {.lower = 0, .upper = 1};
  if (successes > 0) {
    result.limits.lower =
        boost::math::quantile(boost::math::beta_distribution(x, misses + 1), tail);
  }
  if (successes < trials) {
    result.limits.upper = boost::math::quantile(
        boost::math::complement(boost::math::beta_distribution(x + 1, misses), tail));
  }
  return result;
}

absl::StatusOr<double> BinomialTest(std::int64_t successes, std::int64_t trials,
                                    double null_share) {
  if (absl::Status status = CheckTrials(successes, trials); !status.ok()) return status;
  if (!(null_share > 0 && null_share < 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("null_share is ", null_share, "; it must lie between 0 and 1"));
  }
  const boost::math::binomial distribution(static_cast<double>(trials), null_share);
  const auto probability = [&](std::int64_t count) {
    return boost::math::pdf(distribution, static_cast<double>(count));
  };
  const auto lower_tail = [&](std::int64_t up_to) {
    return up_to < 0 ? 0.0 : boost::math::cdf(distribution, static_cast<double>(up_to));
  };
  const auto upper_tail = [&](std::int64_t from) {
    if (from > trials) return 0.0;
    if (from == 0) return 1.0;
    return boost::math::cdf(boost::math::complement(distribution, static_cast<double>(from - 1)));
  };
  const double expected = static_cast<double>(trials) * null_share;
  const double most = probability(successes) * (1 + 1e-7);
  if (static_cast<double>(successes) == expected) return 1;
  if (static_cast<double>(successes) < expected) {
    const auto from = static_cast<std::int64_t>(std::ceil(expected));
    const std::int64_t unlikely = CountUnlikely(
        trials - from + 1, [&](std::int64_t i) { return probability(trials - i); }, most);
    return std::min(1.0, lower_tail(successes) + upper_tail(trials - unlikely + 1));
  }
  const auto to = static_cast<std::int64_t>(std::floor(expected));
  const std::int64_t unlikely = CountUnlikely(
      to + 1, [&](std::int64_t i) { return probability(i); }, most);
  return std::min(1.0, lower_tail(unlikely - 1) + upper_tail(successes));
}

}  // namespace plumule::stats
