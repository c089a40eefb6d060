#include "plugins/stats/survival.h"

#include <limits>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"

namespace plumule::stats {
namespace {

// Empty stands for all alike.
absl::Status CheckOptionalLength(const char* array, std::size_t length, std::size_t units) {
  return length == 0 ? absl::OkStatus() : CheckLength(array, length, units);
}

absl::Status CheckShape(const Survival& data) {
  if (data.arms < 1 || data.arms > kMaxArms) {
    return absl::InvalidArgumentError(
        absl::StrCat("arms is ", data.arms, "; it must lie between 1 and ", kMaxArms));
  }
  const std::size_t units = data.units();
  if (units > static_cast<std::size_t>(std::numeric_limits<std::int32_t>::max())) {
    return absl::InvalidArgumentError(
        absl::StrCat("time has ", units, " rows; at most 2147483647 are supported"));
  }
  if (auto status = CheckLength("event", data.event.size(), units); !status.ok()) {
    return status;
  }
  if (auto status = CheckOptionalLength("arm", data.arm.size(), units); !status.ok()) return status;
  return CheckOptionalLength("block", data.block.size(), units);
}

}  // namespace

absl::Status Validate(const Survival& data) {
  if (absl::Status status = CheckShape(data); !status.ok()) return status;
  for (std::size_t row = 0; row < data.units(); ++row) {
    if (absl::Status status = CheckTime(row, data.time[row]); !status.ok()) return status;
    if (data.event[row] > 1) {
      return absl::InvalidArgumentError(absl::StrCat("event of row ", row, " is ",
                                                     static_cast<int>(data.event[row]),
                                                     "; it must be 1 (reached) or 0 (censored)"));
    }
    if (data.ArmOf(row) < 0 || data.ArmOf(row) >= data.arms) {
      return absl::InvalidArgumentError(absl::StrCat("arm of row ", row, " is ", data.ArmOf(row),
                                                     "; arms are numbered 0 to ", data.arms - 1));
    }
  }
  return absl::OkStatus();
}

}  // namespace plumule::stats
