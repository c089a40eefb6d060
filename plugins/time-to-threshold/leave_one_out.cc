#include <algorithm>
#include <cmath>
#include <utility>

#include "absl/strings/str_cat.h"
#include "plugins/sdk/judgement.h"
#include "plugins/stats/leave_one_block_out.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

void AddEnd(const Difference& difference, const char* method, double value,
            sdk::ResultBuilder& builder) {
  analysis::v1::Estimate estimate = *builder.Find(difference.id);
  estimate.clear_id();
  estimate.set_method(method);
  estimate.set_standing(analysis::v1::STANDING_SENSITIVITY);
  estimate.set_value(value);
  estimate.clear_standard_error();
  estimate.clear_lower();
  estimate.clear_upper();
  builder.Add(std::move(estimate));
}

// One block turns the sign around and moves the difference by more than its standard error, the
// bound that Belsley, Kuh and Welsch (1980, Regression Diagnostics) give for few observations.
bool OneBlockDecides(const Difference& difference, double lowest, double highest) {
  const double value = *difference.value;
  const double farthest = std::max(value - lowest, highest - value);
  return (lowest < 0) != (highest < 0) && difference.variance &&
         farthest > std::sqrt(*difference.variance);
}

}  // namespace

absl::Status AddLeaveOneBlockOut(const Question& question, const SurvivalRows& rows,
                                 const std::vector<Difference>& primary,
                                 sdk::ResultBuilder& builder) {
  for (const Difference& difference : primary) {
    if (!difference.value || difference.blocks < 2) continue;
    const auto found =
        stats::LeaveOutEachBlock(rows.view(), difference.arm, question.control(), question.horizon);
    if (!found.ok()) return found.status();
    if (!found->lowest) continue;
    AddEnd(difference, "leave_one_block_out_lowest", *found->lowest, builder);
    AddEnd(difference, "leave_one_block_out_highest", *found->highest, builder);
    if (OneBlockDecides(difference, *found->lowest, *found->highest)) {
      builder.Warn("one_block_decides",
                   absl::StrCat("Leaving out a single block turns the difference between ",
                                question.Quoted(difference.arm), " and ",
                                question.Quoted(question.control()), " around: it ranges from ",
                                sdk::Decimal(*found->lowest, 1), " to ",
                                sdk::Decimal(*found->highest, 1), " days."));
    }
  }
  return absl::OkStatus();
}

}  // namespace plumule::time_to_threshold
