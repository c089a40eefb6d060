#include "plugins/stats/arguments.h"

#include <boost/math/distributions/normal.hpp>
#include <cmath>

#include "absl/strings/str_cat.h"

namespace plumule::stats {

namespace {

absl::Status CheckInside(const char* argument, double value, double usual) {
  if (value > 0 && value < 1) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat(argument, " is ", value, "; it must lie between 0 and 1, e.g. ", usual));
}

}  // namespace

absl::Status CheckConfidence(double confidence) {
  return CheckInside("confidence", confidence, 0.95);
}

absl::Status CheckAlpha(double alpha) { return CheckInside("alpha", alpha, 0.05); }

absl::Status CheckShare(double share) { return CheckInside("share", share, 0.5); }

absl::Status CheckLength(const char* array, std::size_t length, std::size_t units) {
  if (length == units) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat(array, " has ", length, " rows and time has ",
                                                 units, "; give one row a unit in each"));
}

absl::Status CheckTime(std::size_t row, double time) {
  if (std::isfinite(time) && time >= 0) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat("time of row ", row, " is ", time, "; days must be finite and not negative"));
}

absl::Status CheckTrials(std::int64_t successes, std::int64_t trials, const char* group) {
  if (trials < 1) {
    return absl::InvalidArgumentError(
        absl::StrCat(group, "trials is ", trials, "; a share needs at least 1"));
  }
  if (successes < 0 || successes > trials) {
    return absl::InvalidArgumentError(absl::StrCat(
        group, "successes is ", successes, "; it must lie between 0 and the ", trials, " trials"));
  }
  return absl::OkStatus();
}

absl::Status CheckArm(const Survival& data, int arm, const char* name) {
  if (arm >= 0 && arm < data.arms) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat(name, " is ", arm, "; arms are numbered 0 to ", data.arms - 1));
}

absl::Status CheckTau(double tau) {
  if (std::isfinite(tau) && tau > 0) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat("tau is ", tau, "; it must be a finite number of days above 0"));
}

absl::Status CheckContrast(const Survival& data, int arm, int against) {
  if (absl::Status status = CheckArm(data, arm, "arm"); !status.ok()) return status;
  if (absl::Status status = CheckArm(data, against, "against"); !status.ok()) return status;
  if (arm != against) return absl::OkStatus();
  return absl::InvalidArgumentError(
      absl::StrCat("arm and against are both ", arm, "; an arm is compared with another"));
}

double TwoSidedNormalQuantile(double confidence) {
  return boost::math::quantile(
      boost::math::complement(boost::math::normal(), (1 - confidence) / 2));
}

double TwoSidedNormalP(double z) {
  return 2 * boost::math::cdf(boost::math::complement(boost::math::normal(), std::abs(z)));
}

}  // namespace plumule::stats
