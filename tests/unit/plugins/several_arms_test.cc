#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "plugins/time-to-threshold/time_to_threshold.h"
#include "tests/unit/plugins/study_table.h"

namespace plumule {
namespace {

using tests::FindEstimate;
using tests::FindTest;
using tests::Reached;

// Invented: growers with one seed an arm, arm "a<k>" k days sooner than "on" by and large.
analysis::v1::Result Compare(int treatments, bool vary = true) {
  std::vector<std::string> names;
  std::vector<tests::UnitRow> rows;
  for (int k = 1; k <= treatments; ++k) names.push_back(absl::StrCat("a", k));
  for (int i = 0; i < 14; ++i) {
    const std::string block = absl::StrCat("grower ", i + 100);
    rows.push_back(Reached(block, "0", "on", vary ? 10 + i % 5 : 10));
    for (int k = 1; k <= treatments; ++k) {
      const int day = vary ? 10 + i % 5 - k % 3 + i * (k + 1) % 13 % 4 : 10;
      rows.push_back(Reached(block, absl::StrCat(k), names[static_cast<std::size_t>(k - 1)], day));
    }
  }
  return tests::Accepted(time_to_threshold::Analyze(
      tests::ReadManifest("time-to-threshold"),
      tests::MakeInput(tests::MakeSetup("on", names), rows), tests::Quiet()));
}

TEST(SeveralArms, HaveLimitsThatHoldTogetherAndAreWiderThanSingleOnes) {
  const auto result = Compare(3);
  for (const char* arm : {"a1", "a2", "a3"}) {
    const auto* single = FindEstimate(result, "restricted_mean_difference", "cluster_robust", arm);
    const auto* joint =
        FindEstimate(result, "restricted_mean_difference", "cluster_robust_single_step", arm);
    ASSERT_NE(single, nullptr);
    ASSERT_NE(joint, nullptr);
    EXPECT_EQ(joint->value(), single->value());
    EXPECT_LT(joint->lower(), single->lower());
    EXPECT_GT(joint->upper(), single->upper());
    EXPECT_EQ(joint->standing(), analysis::v1::STANDING_SECONDARY);
  }
}

TEST(SeveralArms, SingleStepLiesBetweenThePlainPValueAndBonferronis) {
  const auto result = Compare(3);
  for (const char* arm : {"a1", "a2", "a3"}) {
    const auto* plain = FindTest(result, "restricted_mean_difference", arm, "normal");
    const auto* joint = FindTest(result, "restricted_mean_difference", arm, "normal_single_step");
    ASSERT_NE(plain, nullptr);
    ASSERT_NE(joint, nullptr);
    EXPECT_GE(joint->p_value(), plain->p_value());
    EXPECT_LE(joint->p_value(), 3 * plain->p_value());
  }
}

TEST(SeveralArms, OneArmNeedsNoCorrection) {
  const auto result = Compare(1);
  EXPECT_EQ(FindTest(result, "restricted_mean_difference", "a1", "normal_single_step"), nullptr);
}

TEST(SeveralArms, MoreThanTenGetWords) {
  const auto result = Compare(11);
  EXPECT_TRUE(tests::HasWarning(result, "too_many_arms_for_single_step"));
  EXPECT_NE(FindTest(result, "restricted_mean_difference", "a1", "normal_holm"), nullptr);
}

TEST(SeveralArms, WithoutVariationThereIsNothingToCorrect) {
  const auto result = Compare(2, false);
  EXPECT_EQ(FindTest(result, "restricted_mean_difference", "a1", "normal_single_step"), nullptr);
  EXPECT_TRUE(tests::HasWarning(result, "no_variation"));
}

}  // namespace
}  // namespace plumule
