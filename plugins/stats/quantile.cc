#include "plugins/stats/quantile.h"

#include <algorithm>
#include <limits>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"
#include "plugins/stats/log_log_limits.h"

namespace plumule::stats {
namespace {

// Two levels closer than this are the same level: √ε of a double.
constexpr double kSameLevel = 1.4901161193847656e-8;

// Finds the day a rising sequence of (day, level) first gets to `share`, with the midpoint rule.
class Crossing {
 public:
  explicit Crossing(double share) : share_(share) {}

  void Visit(double day, double level) {
    if (level + kSameLevel >= share_) reached_ = std::min(reached_, day);
    if (level - kSameLevel >= share_) passed_ = std::min(passed_, day);
  }

  std::optional<double> Day(double last_day) const {
    if (reached_ == kNever) return std::nullopt;
    return (reached_ + std::min(passed_, last_day)) / 2;
  }

 private:
  static constexpr double kNever = std::numeric_limits<double>::infinity();

  double share_;
  double reached_ = kNever;  // first day at or beyond the share
  double passed_ = kNever;   // first day clearly beyond it
};

}  // namespace

absl::StatusOr<Quantile> DaysToQuantile(const KaplanMeierCurve& curve, double share,
                                        double confidence) {
  if (absl::Status status = CheckConfidence(confidence); !status.ok()) return status;
  if (!(share > 0 && share < 1)) {
    return absl::InvalidArgumentError(
        absl::StrCat("share is ", share, "; it must lie between 0 and 1, e.g. 0.5"));
  }
  if (curve.steps.empty()) {
    return absl::FailedPreconditionError("the group has no units, so it has no curve");
  }
  const double z = TwoSidedNormalQuantile(confidence);
  Crossing days(share), lower(share), upper(share);
  for (const KaplanMeierStep& step : curve.steps) {
    days.Visit(step.time, 1 - step.survival);
    if (const auto limits = LogLogLimits(step, z)) {
      lower.Visit(step.time, 1 - limits->lower);
      upper.Visit(step.time, 1 - limits->upper);
    }
  }
  const double last_day = curve.steps.back().time;
  return Quantile{.share = share,
                  .days = days.Day(last_day),
                  .lower = lower.Day(last_day),
                  .upper = upper.Day(last_day)};
}

}  // namespace plumule::stats
