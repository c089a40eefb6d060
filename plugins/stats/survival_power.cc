// What an expected design can find: power, blocks, widths, the smallest hazard ratio.
#include <algorithm>
#include <boost/math/distributions/normal.hpp>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>
#include <cstdint>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"
#include "plugins/stats/survival_plan.h"

namespace plumule::stats {
namespace {

// What a block adds to a test statistic: with n blocks it is about normal with mean n · effect and
// standard deviation √n · error, and is compared with √n · assumed_error times a normal quantile.
struct Signal {
  double effect;  // positive is sooner under treatment
  double error;
  double assumed_error;
};

Signal SignalOf(const ExpectedDesign& expected, PlannedTest test) {
  if (test == PlannedTest::kRestrictedMeanDifference) {
    const double error = std::sqrt(expected.difference_variance);
    return {.effect = -expected.difference, .error = error, .assumed_error = error};
  }
  return {.effect = expected.log_rank_mean,
          .error = std::sqrt(expected.log_rank_variance),
          .assumed_error = std::sqrt(expected.log_rank_information)};
}

// Chance that the statistic passes its upper limit.
double ChanceSooner(const Signal& signal, double blocks, double z) {
  const double beyond = signal.effect * std::sqrt(blocks) - z * signal.assumed_error;
  if (signal.error == 0) return beyond > 0 ? 1 : 0;
  return boost::math::cdf(boost::math::normal(), beyond / signal.error);
}

double Power(const Signal& signal, double blocks, double z) {
  const Signal mirrored{-signal.effect, signal.error, signal.assumed_error};
  return ChanceSooner(signal, blocks, z) + ChanceSooner(mirrored, blocks, z);
}

bool ComparesNothing(const Signal& signal) { return !(signal.assumed_error > 0); }

PlannedFigure NothingToCompare() {
  return {.reason =
              "no crossing is expected to be seen while there is another unit to compare it with"};
}

absl::Status CheckBlocks(std::int64_t blocks) {
  if (blocks >= 1 && blocks <= kMaxBlocks) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat("blocks is ", blocks, "; it must lie between 1 and ", kMaxBlocks));
}

absl::Status CheckPower(double power, double alpha) {
  if (power > alpha && power < 1) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat("power is ", power, "; it must lie above alpha (",
                                                 alpha, ") and below 1, e.g. 0.8"));
}

// Fewest blocks for the power; more than kMaxBlocks where those are not enough.
std::int64_t SearchBlocks(const Signal& signal, double power, double z) {
  std::int64_t fails = 0, succeeds = 1;
  while (succeeds <= kMaxBlocks && Power(signal, static_cast<double>(succeeds), z) < power) {
    fails = succeeds;
    succeeds *= 2;
  }
  while (succeeds - fails > 1) {
    const std::int64_t middle = fails + (succeeds - fails) / 2;
    (Power(signal, static_cast<double>(middle), z) < power ? fails : succeeds) = middle;
  }
  return succeeds;
}

}  // namespace

absl::StatusOr<PlannedFigure> PowerWith(const ExpectedDesign& expected, PlannedTest test,
                                        std::int64_t blocks, double alpha) {
  if (absl::Status status = CheckAlpha(alpha); !status.ok()) return status;
  if (absl::Status status = CheckBlocks(blocks); !status.ok()) return status;
  const Signal signal = SignalOf(expected, test);
  if (ComparesNothing(signal)) return NothingToCompare();
  return PlannedFigure{
      .value = Power(signal, static_cast<double>(blocks), TwoSidedNormalQuantile(1 - alpha))};
}

absl::StatusOr<PlannedFigure> BlocksFor(const ExpectedDesign& expected, PlannedTest test,
                                        double power, double alpha) {
  if (absl::Status status = CheckAlpha(alpha); !status.ok()) return status;
  if (absl::Status status = CheckPower(power, alpha); !status.ok()) return status;
  const Signal signal = SignalOf(expected, test);
  if (ComparesNothing(signal)) return NothingToCompare();
  if (signal.effect == 0) {
    return PlannedFigure{
        .reason = "no effect is expected, so no number of blocks can be sure to find one"};
  }
  const std::int64_t blocks = SearchBlocks(signal, power, TwoSidedNormalQuantile(1 - alpha));
  if (blocks > kMaxBlocks) {
    return PlannedFigure{.reason = absl::StrCat("the expected effect is so small that more than ",
                                                kMaxBlocks, " blocks would be needed")};
  }
  return PlannedFigure{.value = static_cast<double>(blocks)};
}

absl::StatusOr<PlannedFigure> IntervalWidthWith(const ExpectedDesign& expected, PlannedTest test,
                                                std::int64_t blocks, double alpha) {
  if (absl::Status status = CheckAlpha(alpha); !status.ok()) return status;
  if (absl::Status status = CheckBlocks(blocks); !status.ok()) return status;
  const Signal signal = SignalOf(expected, test);
  if (ComparesNothing(signal)) return NothingToCompare();
  const double deviation = signal.assumed_error / std::sqrt(static_cast<double>(blocks));
  const double error = test == PlannedTest::kRestrictedMeanDifference
                           ? deviation
                           : deviation / expected.log_rank_information;
  return PlannedFigure{.value = 2 * TwoSidedNormalQuantile(1 - alpha) * error};
}

absl::StatusOr<PlannedFigure> SmallestHazardRatio(const SurvivalDesign& design, PlannedTest test,
                                                  std::int64_t blocks, double power, double alpha) {
  if (absl::Status status = CheckAlpha(alpha); !status.ok()) return status;
  if (absl::Status status = CheckBlocks(blocks); !status.ok()) return status;
  if (absl::Status status = CheckPower(power, alpha); !status.ok()) return status;
  SurvivalDesign tried = design;
  tried.hazard_ratio = 1;
  if (absl::Status status = Validate(tried); !status.ok()) return status;

  const double z = TwoSidedNormalQuantile(1 - alpha);
  // Every design tried is valid, as its ratio is in range.
  const auto lacking = [&](double log_ratio) {
    tried.hazard_ratio = std::min(std::exp(log_ratio), kMostHazardRatio);
    const Signal signal = SignalOf(Expect(tried).value(), test);
    if (ComparesNothing(signal)) return power;
    return power - ChanceSooner(signal, static_cast<double>(blocks), z);
  };
  double low = 0, lacking_low = lacking(low);
  if (lacking_low <= 0) {
    return PlannedFigure{
        .reason =
            "the difference in shares that never reach the threshold is found with this "
            "power even at hazard ratio 1"};
  }
  constexpr double kStep = 0.5;
  const double most = std::log(kMostHazardRatio);
  while (low < most) {
    const double high = std::min(low + kStep, most);
    const double lacking_high = lacking(high);
    if (lacking_high <= 0) {
      std::uintmax_t steps = 60;
      const auto bracket = boost::math::tools::toms748_solve(
          lacking, low, high, lacking_low, lacking_high,
          [](double a, double b) { return std::abs(b - a) < 1e-9; }, steps);
      return PlannedFigure{.value = std::exp(bracket.second)};
    }
    low = high;
    lacking_low = lacking_high;
  }
  return PlannedFigure{.reason = absl::StrCat("with these blocks not even a hazard ratio of ",
                                              kMostHazardRatio, " is found with this power")};
}

}  // namespace plumule::stats
