#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plugins/stats/joint_normal.h"
#include "plugins/stats/multiplicity.h"
#include "plugins/time-to-threshold/parts.h"

namespace plumule::time_to_threshold {
namespace {

void AddComparison(const Question& question, const Difference& difference, double p_value,
                   double critical, sdk::ResultBuilder& builder) {
  analysis::v1::Estimate estimate = *builder.Find(difference.id);
  const double half_width = critical * estimate.standard_error();
  estimate.clear_id();
  estimate.set_method("cluster_robust_single_step");
  estimate.set_standing(analysis::v1::STANDING_SECONDARY);
  estimate.set_lower(estimate.value() - half_width);
  estimate.set_upper(estimate.value() + half_width);
  builder.Add(std::move(estimate));
  auto test = sdk::MakeTest(question, "restricted_mean_difference", "normal_single_step",
                            difference.arm, analysis::v1::STANDING_SECONDARY);
  test.set_p_value(p_value);
  builder.Add(std::move(test));
}

void Cite(sdk::ResultBuilder& builder) {
  builder.Cite(
      "Dunnett CW (1955). A multiple comparison procedure for comparing several treatments with a "
      "control. Journal of the American Statistical Association 50:1096-1121",
      "10.1080/01621459.1955.10501294", "several arms at once");
  builder.Cite(
      "Hothorn T, Bretz F, Westfall P (2008). Simultaneous inference in general parametric models. "
      "Biometrical Journal 50:346-363",
      "10.1002/bimj.200810425", "several arms at once, with the correlations the data show");
}

}  // namespace

absl::Status AddSingleStep(const Question& question, const SurvivalRows& rows,
                           const std::vector<Difference>& primary, sdk::ResultBuilder& builder) {
  std::vector<const Difference*> compared;
  std::vector<stats::ArmPair> pairs;
  for (const Difference& difference : primary) {
    if (!difference.variance) continue;
    compared.push_back(&difference);
    pairs.push_back({difference.arm, question.control()});
  }
  const std::size_t count = pairs.size();
  if (count < 2) return absl::OkStatus();
  if (count > stats::kMaxJointDimensions) {
    builder.Warn("too_many_arms_for_single_step",
                 absl::StrCat("With more than ", stats::kMaxJointDimensions,
                              " comparisons no intervals are given that hold for all of them "
                              "together; the p-values corrected by Holm's method do."));
    return absl::OkStatus();
  }
  const auto joint = stats::CompareRestrictedMeansJointly(rows.view(), pairs, question.horizon);
  if (!joint.ok()) return joint.status();
  std::vector<double> z(count);
  std::vector<double> correlation(count * count, 1.0);
  const auto error = [&](std::size_t i) { return std::sqrt(joint->covariance[i * count + i]); };
  for (std::size_t i = 0; i < count; ++i) {
    z[i] = joint->difference[i] / error(i);
    for (std::size_t j = 0; j < i; ++j) {
      const double r = joint->covariance[i * count + j] / (error(i) * error(j));
      correlation[i * count + j] = correlation[j * count + i] = std::clamp(r, -1.0, 1.0);
    }
  }
  const auto adjusted = stats::AdjustSingleStep(z, correlation, question.level);
  if (!adjusted.ok()) return adjusted.status();
  for (std::size_t i = 0; i < count; ++i) {
    AddComparison(question, *compared[i], adjusted->p_value[i], adjusted->critical, builder);
  }
  Cite(builder);
  return absl::OkStatus();
}

}  // namespace plumule::time_to_threshold
