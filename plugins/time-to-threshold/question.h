#ifndef PLUMULE_PLUGINS_TIME_TO_THRESHOLD_QUESTION_H_
#define PLUMULE_PLUGINS_TIME_TO_THRESHOLD_QUESTION_H_

#include <cstdint>
#include <optional>
#include <vector>

#include "absl/status/statusor.h"
#include "plugins/sdk/plugin.h"
#include "plugins/sdk/result_builder.h"
#include "plugins/sdk/threshold_question.h"
#include "plugins/stats/interval_times.h"
#include "plugins/stats/survival.h"

namespace plumule::time_to_threshold {

// What is asked of which units, and over how many days.
struct Question : sdk::ThresholdQuestion {
  double horizon = 0;             // τ, days; 0: no follow-up
  bool horizon_declared = false;  // before the data: by parameter, else by the calendar
};

// Errors as AskThresholdQuestion(). Warns `horizon_shortened`.
absl::StatusOr<Question> AskQuestion(const plugin::v1::Manifest& manifest,
                                     const sdk::AnalysisInput& input, sdk::ResultBuilder& builder);

// Which day stands for reaching the threshold.
enum class Timing {
  kFirstSeen,    // the day it was first seen
  kMidpoint,     // halfway between the last look before and the first look after
  kLastWithout,  // the last day known without it, as if it followed at once
};

// True where some unit reached the threshold between two looks: on a day that is not known.
bool AnyBetweenLooks(const sdk::ThresholdOutcome& outcome);

// The looks between which each unit reached the threshold, in the shape that plumule::stats takes;
// units that had not are open-ended. A view of `outcome`, which must outlive it.
class LookRows {
 public:
  explicit LookRows(const sdk::ThresholdOutcome& outcome);
  stats::IntervalTimes view() const;

 private:
  const sdk::ThresholdOutcome& outcome_;
  std::vector<double> upper_;
};

// Times of units in the shape that plumule::stats takes. Arms keep their positions.
class SurvivalRows {
 public:
  // Units censored by a biological loss are carried on to `never_until`, if given: as if they had
  // been followed all along and never reached the threshold.
  SurvivalRows(const sdk::ThresholdOutcome& outcome, Timing timing,
               std::optional<double> never_until = std::nullopt);

  // Only the rows of two arms; they become arm 1 (`arm`) and arm 0 (`against`).
  SurvivalRows Pair(int arm, int against) const;

  stats::Survival view() const;
  std::int64_t units(int arm) const { return units_[static_cast<std::size_t>(arm)]; }
  std::int64_t events(int arm) const { return events_[static_cast<std::size_t>(arm)]; }
  std::int64_t events() const;
  // Largest time of an arm; 0 without units.
  double last_day(int arm) const { return last_[static_cast<std::size_t>(arm)]; }
  // True where the curve of an arm is known at `day`: it was observed so long, or came down to 0.
  bool follows_past(int arm, double day) const;

 private:
  explicit SurvivalRows(int arms);
  void Add(double time, bool event, std::int32_t arm, std::int32_t block);

  std::vector<double> time_;
  std::vector<std::uint8_t> event_;
  std::vector<std::int32_t> arm_;
  std::vector<std::int32_t> block_;
  std::vector<std::int64_t> units_;
  std::vector<std::int64_t> events_;
  std::vector<double> last_;             // by arm: largest time
  std::vector<double> last_unfinished_;  // by arm: largest censored time, −1 for none
};

}  // namespace plumule::time_to_threshold

#endif  // PLUMULE_PLUGINS_TIME_TO_THRESHOLD_QUESTION_H_
