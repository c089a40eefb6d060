// Several comparisons at once, against R's mvtnorm, survival and p.adjust.
#include <gtest/gtest.h>

#include <algorithm>
#include <iostream>
#include <string>
#include <vector>

#include "plugins/stats/homogeneity.h"
#include "plugins/stats/joint_normal.h"
#include "plugins/stats/leave_one_block_out.h"
#include "plugins/stats/multiplicity.h"
#include "plugins/stats/restricted_mean.h"
#include "tests/reference/references.h"
#include "tests/reference/tally.h"

namespace plumule::reference {
namespace {

using nlohmann::json;
namespace st = plumule::stats;

template <typename T>
std::vector<T> Array(const json& figures, const char* key) {
  return figures.at(key).get<std::vector<T>>();
}

TEST(MultiplicityReference, ProbabilitiesOfBoxesAgreeWithMvtnormWithinBothErrors) {
  Tally tally;
  double largest = 0;
  for (const json& figures : References().at("boxes")) {
    const auto name = figures.at("name").get<std::string>();
    tally.Enter(name);
    const auto ours =
        st::ProbabilityWithin(Array<double>(figures, "c"), Array<double>(figures, "r"));
    ASSERT_TRUE(ours.ok()) << ours.status();
    const double theirs = figures.at("value").get<double>();
    // Signed sums of eight probabilities near 1 cost R some digits: 1e-13 absolute stands for them.
    const double allowed = ours->error + figures.at("error").get<double>();
    const bool exact = figures.at("product").get<bool>();
    const std::string method = exact ? "products or two variables" : "general";
    EXPECT_LT(ours->error, exact ? 1e-12 : 3e-4) << name;
    // Three standard errors of eight shifts are exceeded by chance (t, 7 degrees of freedom) in 2 %
    // of boxes, six in 0.05 %: twice the sum keeps a fixed seed from failing by luck.
    tally.Compare(method, ours->value, theirs, {.relative = 0, .zero = 2 * allowed + 1e-12});
    if (!exact) largest = std::max(largest, ours->error);
  }
  tally.Print();
  std::cout << "largest stated error of general boxes: " << largest << "\n";
  EXPECT_GE(tally.comparisons("general"), 100);
}

TEST(MultiplicityReference, CriticalValuesAgreeWithRootsOfTvpack) {
  Tally tally;
  for (const json& figures : References().at("critical")) {
    const auto d = figures.at("d").get<std::size_t>();
    std::vector<double> half(d * d, 0.5);
    for (std::size_t i = 0; i < d; ++i) half[i * d + i] = 1;
    const auto ours =
        st::AdjustSingleStep(std::vector<double>(d, 1.0), half, figures.at("level").get<double>());
    ASSERT_TRUE(ours.ok()) << ours.status();
    tally.Compare("critical value", ours->critical, figures.at("c").get<double>(), kClosedForm);
  }
  tally.Print();
}

TEST(MultiplicityReference, JointCovariancesAgreeWithResidualsOfSurvfitSummedByBlock) {
  Tally tally;
  for (const json& figures : References().at("joint")) {
    tally.Enter(figures.at("name").get<std::string>());
    const auto time = Array<double>(figures, "time");
    const auto event = Array<std::uint8_t>(figures, "event");
    const auto arm = Array<std::int32_t>(figures, "arm");
    const auto block = Array<std::int32_t>(figures, "block");
    const auto difference = Array<double>(figures, "difference");
    const auto covariance = Array<double>(figures, "covariance");
    std::vector<st::ArmPair> pairs;
    for (std::size_t i = 0; i < difference.size(); ++i) {
      pairs.push_back({static_cast<int>(i) + 1, 0});
    }
    const auto ours = st::CompareRestrictedMeansJointly(
        {.time = time, .event = event, .arm = arm, .block = block, .arms = 6}, pairs,
        figures.at("tau").get<double>());
    ASSERT_TRUE(ours.ok()) << ours.status();
    ASSERT_EQ(ours->covariance.size(), covariance.size());
    for (std::size_t i = 0; i < difference.size(); ++i) {
      tally.Compare("difference", ours->difference[i], difference[i], kClosedForm);
    }
    for (std::size_t i = 0; i < covariance.size(); ++i) {
      tally.Compare("covariance", ours->covariance[i], covariance[i], kClosedForm);
    }
  }
  tally.Print();
  EXPECT_GE(tally.comparisons("difference"), 400);
}

TEST(MultiplicityReference, HolmAndBenjaminiHochbergAgreeWithPAdjust) {
  Tally tally;
  for (const json& figures : References().at("p_values")) {
    tally.Enter(figures.at("name").get<std::string>());
    const auto p = Array<double>(figures, "p");
    const auto holm = st::HolmAdjusted(p);
    const auto bh = st::BenjaminiHochbergAdjusted(p);
    for (std::size_t i = 0; i < p.size(); ++i) {
      tally.Compare("Holm", holm[i], figures.at("holm").at(i).get<double>(), kProbability);
      tally.Compare("Benjamini-Hochberg", bh[i], figures.at("bh").at(i).get<double>(),
                    kProbability);
    }
  }
  tally.Print();
}

TEST(MultiplicityReference, HomogeneityOfDependentDifferencesAgreesWithItsMatrixForm) {
  Tally tally;
  for (const json& figures : References().at("joint")) {
    tally.Enter(figures.at("name").get<std::string>());
    const auto ours = st::TestHomogeneity(Array<double>(figures, "difference"),
                                          Array<double>(figures, "covariance"));
    ASSERT_TRUE(ours.ok()) << ours.status();
    const json& theirs = figures.at("homogeneity");
    // Inverses of nearly singular covariances keep fewer digits: few blocks, many arms.
    const Tolerance tolerance{.relative = 1e-7, .zero = 1e-9};
    tally.Compare("statistic", ours->statistic, theirs.at("statistic").get<double>(), tolerance);
    tally.Compare("p-value", ours->p_value, theirs.at("p").get<double>(), tolerance);
  }
  tally.Print();
  EXPECT_GE(tally.comparisons("statistic"), 200);
}

TEST(MultiplicityReference, HomogeneityOfIndependentEffectsIsMetaforsQ) {
  Tally tally;
  for (const json& figures : References().at("independent")) {
    tally.Enter(figures.at("name").get<std::string>());
    const auto effect = Array<double>(figures, "effect");
    const auto variance = Array<double>(figures, "variance");
    std::vector<double> covariance(effect.size() * effect.size());
    for (std::size_t i = 0; i < effect.size(); ++i) {
      covariance[i * effect.size() + i] = variance[i];
    }
    const auto ours = st::TestHomogeneity(effect, covariance);
    ASSERT_TRUE(ours.ok()) << ours.status();
    tally.Compare("Q", ours->statistic, figures.at("q").get<double>(), kClosedForm);
    tally.Compare("p-value", ours->p_value, figures.at("p").get<double>(), kProbability);
  }
  tally.Print();
  EXPECT_GE(tally.comparisons("Q"), 200);
}

TEST(MultiplicityReference, RangesWithoutABlockAgreeWithFitsWithoutIt) {
  Tally tally;
  for (const json& figures : References().at("joint")) {
    tally.Enter(figures.at("name").get<std::string>());
    const auto time = Array<double>(figures, "time");
    const auto event = Array<std::uint8_t>(figures, "event");
    const auto arm = Array<std::int32_t>(figures, "arm");
    const auto block = Array<std::int32_t>(figures, "block");
    const auto ours =
        st::LeaveOutEachBlock({.time = time, .event = event, .arm = arm, .block = block, .arms = 6},
                              1, 0, figures.at("tau").get<double>());
    ASSERT_TRUE(ours.ok()) << ours.status();
    const json& theirs = figures.at("left_out");
    EXPECT_EQ(ours->left_out, theirs.at("count").get<std::int64_t>());
    tally.Compare("lowest", ours->lowest, theirs.at("lowest").get<double>(), kClosedForm);
    tally.Compare("highest", ours->highest, theirs.at("highest").get<double>(), kClosedForm);
  }
  tally.Print();
  EXPECT_GE(tally.comparisons("lowest"), 200);
}

}  // namespace
}  // namespace plumule::reference
