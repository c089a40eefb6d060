#ifndef PLUMULE_PLUGINS_SUCCESS_SHARE_PARTS_H_
#define PLUMULE_PLUGINS_SUCCESS_SHARE_PARTS_H_

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "plugins/sdk/result_builder.h"
#include "plugins/sdk/threshold_question.h"
#include "plugins/success-share/outcomes.h"

namespace plumule::success_share {

// The question, with each unit judged.
struct Question : sdk::ThresholdQuestion {
  std::optional<double> by_day;
  std::vector<Success> success;   // one entry a unit of `analyzed`
  std::vector<ArmCounts> counts;  // by arm
};

struct ShareDifference {
  int arm = 0;
  std::string id;
  std::string label;            // in the figure
  std::optional<double> value;  // arm − control, of 1
  std::optional<double> lower;
  std::optional<double> upper;
  std::int64_t blocks = 0;
  bool paired = false;
};

// --- shares.cc ---

// `success_share` of each arm with a known outcome; ids by arm, empty elsewhere.
absl::StatusOr<std::vector<std::string>> AddShares(const Question& question,
                                                   sdk::ResultBuilder& builder);

// `success_share_difference` of each treatment: by pairs where the design has them, otherwise
// unpaired, which also stands beside the paired one. Warns `broken_pairs` and `blocks_not_used`.
absl::StatusOr<std::vector<ShareDifference>> CompareShares(const Question& question,
                                                           sdk::ResultBuilder& builder);

// The units of unknown outcome counted one way or the other.
absl::StatusOr<std::vector<ShareDifference>> AddBounds(const Question& question,
                                                       sdk::ResultBuilder& builder);

// The units that followed the protocol where all started are analyzed, and the other way round;
// empty where every unit did.
absl::StatusOr<std::vector<ShareDifference>> AddOtherSet(const Question& question,
                                                         sdk::ResultBuilder& builder);

absl::StatusOr<std::vector<ShareDifference>> AddSubgroups(const Question& question,
                                                          const sdk::AnalysisInput& input,
                                                          sdk::ResultBuilder& builder);

// Tests, Holm's correction for several arms, and the effects for pooling.
absl::Status AddTests(const Question& question, sdk::ResultBuilder& builder);
absl::Status AddPoolable(const Question& question, sdk::ResultBuilder& builder);

// --- findings.cc ---

void AddFigures(const Question& question, const std::vector<std::string>& shares,
                const std::vector<ShareDifference>& differences, sdk::ResultBuilder& builder);
void SayFindings(const Question& question, const std::vector<std::string>& shares,
                 const std::vector<ShareDifference>& primary,
                 const std::vector<ShareDifference>& bounds, sdk::ResultBuilder& builder);
void AddMethod(const Question& question, const study::v1::Protocol& protocol,
               sdk::ResultBuilder& builder);

}  // namespace plumule::success_share

#endif  // PLUMULE_PLUGINS_SUCCESS_SHARE_PARTS_H_
