#include "plugins/sdk/protocol_checks.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

namespace plumule::sdk {
namespace {

using ::testing::ElementsAre;
using ::testing::IsEmpty;

study::v1::Protocol Protocol() {
  study::v1::Protocol protocol;
  protocol.add_arms()->set_id("on");
  protocol.add_arms()->set_id("off");
  protocol.add_thresholds()->set_id("sprouted");
  auto& peeled = *protocol.add_variables();
  peeled.set_id("peeled");
  peeled.mutable_yes_no();
  auto& height = *protocol.add_variables();
  height.set_id("height");
  height.mutable_number()->set_unit("mm");
  return protocol;
}

study::v1::Analysis Analysis() {
  study::v1::Analysis analysis;
  analysis.set_id("main");
  analysis.set_threshold("sprouted");
  analysis.mutable_margin()->set_value(2);
  analysis.mutable_margin()->set_unit("d");
  analysis.add_subgroup_variables("peeled");
  return analysis;
}

std::vector<std::string> Reasons(const study::v1::Protocol& protocol,
                                 const study::v1::Analysis& analysis) {
  std::vector<std::string> reasons;
  for (const auto& problem : CheckThresholdAnalysis(protocol, analysis, "d")) {
    reasons.push_back(problem.reason());
    EXPECT_EQ(problem.path().rfind("analyses[main].", 0), 0u) << problem.path();
    EXPECT_FALSE(problem.what().empty() || problem.why().empty() || problem.remedy().empty());
  }
  return reasons;
}

TEST(ProtocolChecks, HaveNothingToSayOfASoundAnalysis) {
  EXPECT_THAT(Reasons(Protocol(), Analysis()), IsEmpty());
}

TEST(ProtocolChecks, NameEveryMistakeAtOnce) {
  auto analysis = Analysis();
  analysis.set_threshold("rooted");
  analysis.mutable_margin()->set_unit("mm");
  analysis.mutable_margin()->set_value(0);
  analysis.add_subgroup_variables("height");
  analysis.add_subgroup_variables("site");
  EXPECT_THAT(Reasons(Protocol(), analysis),
              ElementsAre("threshold_unknown", "margin_unit", "margin_not_positive",
                          "subgroup_without_levels", "subgroup_unknown"));
}

TEST(ProtocolChecks, AdviseWithoutForbidding) {
  auto protocol = Protocol();
  protocol.mutable_thresholds(0)->add_arms("on");
  auto analysis = Analysis();
  analysis.clear_margin();
  analysis.set_variable("height");
  for (const auto& problem : CheckThresholdAnalysis(protocol, analysis, "d")) {
    EXPECT_TRUE(problem.advice()) << problem.reason();
  }
  EXPECT_THAT(Reasons(protocol, analysis),
              ElementsAre("threshold_not_for_every_arm", "margin_missing", "variable_not_used"));
}

}  // namespace
}  // namespace plumule::sdk
