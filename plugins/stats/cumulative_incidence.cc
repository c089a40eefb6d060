#include "plugins/stats/cumulative_incidence.h"

#include <algorithm>
#include <cmath>
#include <tuple>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plugins/stats/arguments.h"
#include "plugins/stats/block_sums.h"
#include "plugins/stats/log_log_limits.h"

namespace plumule::stats {
namespace {

struct Row {
  double time;
  std::int32_t block;
  std::uint8_t outcome;
};

absl::Status Check(const CompetingTimes& data) {
  const std::size_t units = data.time.size();
  if (absl::Status status = CheckLength("outcome", data.outcome.size(), units); !status.ok()) {
    return status;
  }
  if (!data.block.empty()) {
    if (absl::Status status = CheckLength("block", data.block.size(), units); !status.ok()) {
      return status;
    }
  }
  for (std::size_t row = 0; row < units; ++row) {
    if (absl::Status status = CheckTime(row, data.time[row]); !status.ok()) return status;
    if (data.outcome[row] > kCompeting) {
      return absl::InvalidArgumentError(absl::StrCat("outcome of row ", row, " is ",
                                                     static_cast<int>(data.outcome[row]),
                                                     "; it must be 0, 1 or 2"));
    }
  }
  return absl::OkStatus();
}

std::vector<Row> SortedRows(const CompetingTimes& data) {
  std::vector<Row> rows;
  rows.reserve(data.time.size());
  for (std::size_t row = 0; row < data.time.size(); ++row) {
    const auto block = data.block.empty() ? static_cast<std::int32_t>(row) : data.block[row];
    rows.push_back({.time = data.time[row], .block = block, .outcome = data.outcome[row]});
  }
  std::sort(rows.begin(), rows.end(), [](const Row& a, const Row& b) {
    return std::tie(a.time, a.outcome) < std::tie(b.time, b.outcome);
  });
  return rows;
}

// One distinct time with an event or a competing one, up to the day asked for.
struct Moment {
  std::size_t first = 0;  // rows of that time
  std::size_t end = 0;
  double at_risk = 0;
  double events = 0;
  double ended = 0;        // events and competing ones
  double before = 1;       // share under way just before
  double share_after = 0;  // incidence just after
};

std::vector<Moment> MomentsUntil(const std::vector<Row>& rows, double day) {
  std::vector<Moment> moments;
  double under_way = 1;
  double share = 0;
  for (std::size_t row = 0; row < rows.size() && rows[row].time <= day;) {
    Moment moment{.first = row,
                  .end = row,
                  .at_risk = static_cast<double>(rows.size() - row),
                  .before = under_way};
    for (; moment.end < rows.size() && rows[moment.end].time == rows[row].time; ++moment.end) {
      moment.events += rows[moment.end].outcome == kEvent ? 1 : 0;
      moment.ended += rows[moment.end].outcome == kCensored ? 0 : 1;
    }
    row = moment.end;
    share += under_way * moment.events / moment.at_risk;
    under_way *= (moment.at_risk - moment.ended) / moment.at_risk;
    moment.share_after = share;
    moments.push_back(moment);
  }
  return moments;
}

// Influence of each row on the share: for every moment at which the unit was under way, what its
// having, or not having, an outcome there adds.
std::vector<double> Influences(const std::vector<Row>& rows, const std::vector<Moment>& moments) {
  std::vector<double> influence;
  influence.reserve(rows.size());
  const double share = moments.empty() ? 0 : moments.back().share_after;
  double borne = 0;  // by whoever is still under way
  for (const Moment& moment : moments) {
    const double to_come = share - moment.share_after;
    const double left = moment.at_risk - moment.ended;
    // Where nobody is left, nothing is to come.
    const double per_end = left > 0 ? to_come / left : 0;
    borne += moment.before * moment.events / (moment.at_risk * moment.at_risk) -
             per_end * moment.ended / moment.at_risk;
    for (std::size_t row = moment.first; row < moment.end; ++row) {
      double own = 0;
      if (rows[row].outcome == kEvent) own += moment.before / moment.at_risk;
      if (rows[row].outcome != kCensored) own -= per_end;
      influence.push_back(own - borne);
    }
  }
  influence.resize(rows.size(), -borne);
  return influence;
}

std::optional<Interval> Limits(double share, double standard_error, double confidence) {
  if (standard_error <= 0) return std::nullopt;
  const double rest = 1 - share;
  const auto limits = LogLogLimits(rest, standard_error / rest, TwoSidedNormalQuantile(confidence));
  if (!limits) return std::nullopt;
  return Interval{.lower = 1 - limits->upper, .upper = 1 - limits->lower};
}

}  // namespace

absl::StatusOr<Incidence> IncidenceBy(const CompetingTimes& data, double day, double confidence) {
  if (absl::Status status = Check(data); !status.ok()) return status;
  if (absl::Status status = CheckConfidence(confidence); !status.ok()) return status;
  if (!std::isfinite(day)) {
    return absl::InvalidArgumentError(absl::StrCat("day is ", day, "; it must be finite"));
  }
  if (data.time.empty()) {
    return absl::FailedPreconditionError("the group has no units, so no share can be had");
  }
  const std::vector<Row> rows = SortedRows(data);
  const std::vector<Moment> moments = MomentsUntil(rows, day);
  Incidence result{.day = day, .units = static_cast<std::int64_t>(rows.size())};
  for (const Moment& moment : moments) {
    result.events += static_cast<std::int64_t>(moment.events);
    result.competing += static_cast<std::int64_t>(moment.ended - moment.events);
  }
  const bool all_ended = !moments.empty() && moments.back().ended == moments.back().at_risk;
  if (!moments.empty()) result.share = moments.back().share_after;
  // Nobody is left and nothing competed: the sum of steps is 1, whatever its last digit says.
  if (all_ended && result.competing == 0) result.share = 1;
  std::vector<std::int32_t> blocks;
  blocks.reserve(rows.size());
  for (const Row& row : rows) blocks.push_back(row.block);
  const std::vector<double> influences = Influences(rows, moments);
  result.standard_error = std::sqrt(OuterProductSum(BlockSums(blocks, influences, 1), 1).front());
  result.limits = Limits(result.share, result.standard_error, confidence);
  result.past_follow_up = day > rows.back().time && !all_ended;
  return result;
}

}  // namespace plumule::stats
