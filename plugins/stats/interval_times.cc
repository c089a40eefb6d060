#include "plugins/stats/interval_times.h"

#include <cmath>
#include <utility>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"

namespace plumule::stats {

absl::Status Validate(const IntervalTimes& data) {
  const std::size_t units = data.units();
  if (data.arms < 1 || data.arms > kMaxArms) {
    return absl::InvalidArgumentError(
        absl::StrCat("arms is ", data.arms, "; it must lie between 1 and ", kMaxArms));
  }
  if (auto status = CheckLength("upper", data.upper.size(), units); !status.ok()) return status;
  for (const auto& [name, labels] : {std::pair("arm", data.arm), std::pair("block", data.block)}) {
    if (labels.empty()) continue;
    if (auto status = CheckLength(name, labels.size(), units); !status.ok()) return status;
  }
  for (std::size_t row = 0; row < units; ++row) {
    if (auto status = CheckTime(row, data.lower[row]); !status.ok()) return status;
    if (std::isnan(data.upper[row]) || data.upper[row] < data.lower[row]) {
      return absl::InvalidArgumentError(absl::StrCat("upper of row ", row, " is ", data.upper[row],
                                                     "; it must not lie before the lower day, ",
                                                     data.lower[row]));
    }
    if (data.ArmOf(row) < 0 || data.ArmOf(row) >= data.arms) {
      return absl::InvalidArgumentError(absl::StrCat("arm of row ", row, " is ", data.ArmOf(row),
                                                     "; arms are numbered 0 to ", data.arms - 1));
    }
  }
  return absl::OkStatus();
}

}  // namespace plumule::stats
