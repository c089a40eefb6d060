#include "plugins/stats/survival.h"

#include <cmath>
#include <limits>

#include "absl/strings/str_cat.h"

namespace plumule::stats {
namespace {

absl::Status CheckLength(const char* name, std::size_t length, std::size_t units,
                         bool may_be_empty) {
  if (length == units || (may_be_empty && length == 0)) return absl::OkStatus();
  return absl::InvalidArgumentError(absl::StrCat(name, " has ", length, " rows and time has ",
                                                 units, "; give one row a unit in each"));
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
  if (auto status = CheckLength("event", data.event.size(), units, false); !status.ok()) {
    return status;
  }
  if (auto status = CheckLength("arm", data.arm.size(), units, true); !status.ok()) return status;
  return CheckLength("block", data.block.size(), units, true);
}

}  // namespace

absl::Status Validate(const Survival& data) {
  if (absl::Status status = CheckShape(data); !status.ok()) return status;
  for (std::size_t row = 0; row < data.units(); ++row) {
    if (!std::isfinite(data.time[row]) || data.time[row] < 0) {
      return absl::InvalidArgumentError(absl::StrCat("time of row ", row, " is ", data.time[row],
                                                     "; days must be finite and not negative"));
    }
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
