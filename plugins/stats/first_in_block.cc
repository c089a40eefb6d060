#include "plugins/stats/first_in_block.h"

#include <algorithm>
#include <limits>
#include <vector>

#include "plugins/stats/arguments.h"

namespace plumule::stats {
namespace {

constexpr double kNever = std::numeric_limits<double>::infinity();

// What a block knows of one arm.
struct Side {
  std::int64_t units = 0;
  double first_event = kNever;
  double first_censoring = kNever;

  void Add(double time, bool event) {
    ++units;
    double& first = event ? first_event : first_censoring;
    first = std::min(first, time);
  }
};

struct Unit {
  std::int32_t block;
  bool in_arm;
  bool event;
  double time;
};

bool IsFirst(const Side& side, const Side& other) {
  return side.first_event < other.first_event && side.first_event <= other.first_censoring;
}

bool AreTied(const Side& a, const Side& b) {
  return a.first_event == b.first_event && a.first_event < kNever &&
         a.first_event <= std::min(a.first_censoring, b.first_censoring);
}

void Count(const Side& arm, const Side& against, FirstInBlock& counts) {
  if (arm.units != against.units) {
    ++counts.unequal;
  } else if (IsFirst(arm, against)) {
    ++counts.arm_first;
  } else if (IsFirst(against, arm)) {
    ++counts.against_first;
  } else if (AreTied(arm, against)) {
    ++counts.tied;
  } else {
    ++counts.unknown;
  }
}

}  // namespace

absl::StatusOr<FirstInBlock> CountFirstInBlock(const Survival& data, int arm, int against) {
  if (absl::Status status = Validate(data); !status.ok()) return status;
  if (absl::Status status = CheckContrast(data, arm, against); !status.ok()) return status;
  std::vector<Unit> units;
  for (std::size_t row = 0; row < data.units(); ++row) {
    if (data.ArmOf(row) != arm && data.ArmOf(row) != against) continue;
    units.push_back({.block = data.BlockOf(row),
                     .in_arm = data.ArmOf(row) == arm,
                     .event = data.event[row] == 1,
                     .time = data.time[row]});
  }
  std::sort(units.begin(), units.end(),
            [](const Unit& a, const Unit& b) { return a.block < b.block; });
  FirstInBlock counts;
  for (std::size_t start = 0; start < units.size();) {
    Side of_arm, of_against;
    const std::int32_t block = units[start].block;
    for (; start < units.size() && units[start].block == block; ++start) {
      (units[start].in_arm ? of_arm : of_against).Add(units[start].time, units[start].event);
    }
    Count(of_arm, of_against, counts);
  }
  return counts;
}

absl::StatusOr<std::optional<SignTest>> TestSign(std::int64_t arm_first, std::int64_t against_first,
                                                 double confidence) {
  if (absl::Status status = CheckConfidence(confidence); !status.ok()) return status;
  if (arm_first == 0 && against_first == 0) return std::nullopt;
  const auto share = ClopperPearson(arm_first, arm_first + against_first, confidence);
  if (!share.ok()) return share.status();
  const auto p_value = BinomialTest(arm_first, arm_first + against_first);
  if (!p_value.ok()) return p_value.status();
  return SignTest{.share = *share, .p_value = *p_value};
}

}  // namespace plumule::stats
