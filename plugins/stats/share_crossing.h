#ifndef PLUMULE_PLUGINS_STATS_SHARE_CROSSING_H_
#define PLUMULE_PLUGINS_STATS_SHARE_CROSSING_H_

#include <algorithm>
#include <limits>
#include <optional>

namespace plumule::stats {

// Finds the day a rising sequence of (day, level) first gets to `share`: where it runs flat at the
// share, the midpoint of the flat stretch.
class ShareCrossing {
 public:
  explicit ShareCrossing(double share) : share_(share) {}

  void Visit(double day, double level) {
    if (level + kSameLevel >= share_) reached_ = std::min(reached_, day);
    if (level - kSameLevel >= share_) passed_ = std::min(passed_, day);
  }

  std::optional<double> Day(double last_day) const {
    if (reached_ == kNever) return std::nullopt;
    return (reached_ + std::min(passed_, last_day)) / 2;
  }

 private:
  // Two levels closer than this are the same level: √ε of a double.
  static constexpr double kSameLevel = 1.4901161193847656e-8;
  static constexpr double kNever = std::numeric_limits<double>::infinity();

  double share_;
  double reached_ = kNever;  // first day at or beyond the share
  double passed_ = kNever;   // first day clearly beyond it
};

}  // namespace plumule::stats

#endif  // PLUMULE_PLUGINS_STATS_SHARE_CROSSING_H_
