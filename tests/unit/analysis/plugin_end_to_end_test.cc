// The host with a plugin as it is shipped: the statistics are checked elsewhere, here that the two
// understand each other. The data are invented.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "absl/strings/str_cat.h"
#include "server/analysis/plugin_process.h"
#include "tests/unit/analysis/test_plugins.h"

namespace plumule::analysis {
namespace {

using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;

InstalledPlugin TimeToThreshold() {
  absl::StatusOr<InstalledPlugin> plugin = ReadPluginFolder(PLUMULE_TIME_TO_THRESHOLD);
  EXPECT_TRUE(plugin.ok()) << plugin.status();
  return *std::move(plugin);
}

plugin::v1::AnalysisSetup PeelingSetup() {
  plugin::v1::AnalysisSetup setup;
  study::v1::Protocol& protocol = *setup.mutable_protocol();
  protocol.mutable_words()->mutable_title()->set_text("Peeling");
  const auto add_arm = [&](const char* id, study::v1::ArmRole role) {
    study::v1::Arm* arm = protocol.add_arms();
    arm->set_id(id);
    arm->mutable_label()->set_text(id);
    arm->set_role(role);
  };
  add_arm("as_they_are", study::v1::ARM_ROLE_CONTROL);
  add_arm("peeled", study::v1::ARM_ROLE_TREATMENT);
  study::v1::Variable* variable = protocol.add_variables();
  variable->set_id("shoot");
  variable->set_scope(study::v1::SCOPE_OBSERVATION);
  variable->mutable_number()->set_unit("mm");
  study::v1::Threshold* threshold = protocol.add_thresholds();
  threshold->set_id("sprouted");
  threshold->mutable_label()->set_text("the shoot is 5 mm long");
  threshold->set_variable("shoot");
  threshold->set_comparison(study::v1::COMPARISON_AT_LEAST);
  threshold->mutable_target()->mutable_number()->set_value(5);
  study::v1::Analysis& analysis = *protocol.add_analyses();
  analysis.set_id("main");
  analysis.set_role(study::v1::ANALYSIS_ROLE_PRIMARY);
  analysis.set_plugin("time-to-threshold");
  analysis.set_threshold("sprouted");
  analysis.mutable_margin()->set_value(3);
  analysis.mutable_margin()->set_unit("d");
  *setup.mutable_analysis() = analysis;
  setup.set_seed(7);
  return setup;
}

// 30 pairs; peeled seeds come up sooner, and a few never do.
std::unique_ptr<MemoryDataset> Pairs() {
  TableBuilder builder({Column("block", v1::COLUMN_TYPE_CODE), Column("unit", v1::COLUMN_TYPE_CODE),
                        Column("arm", v1::COLUMN_TYPE_CODE),
                        Column("in_primary", v1::COLUMN_TYPE_YES_NO),
                        Column("sprouted_lower", v1::COLUMN_TYPE_NUMBER, "d"),
                        Column("sprouted_upper", v1::COLUMN_TYPE_NUMBER, "d"),
                        Column("sprouted_status", v1::COLUMN_TYPE_CODE)});
  builder.WithThresholds({"sprouted"});
  for (int i = 0; i < 30; ++i) {
    const std::string block = absl::StrCat("block", i + 100);
    for (const bool peeled : {false, true}) {
      const double day = (peeled ? 9 : 16) + i % 7;
      const bool never = i % 10 == 3;
      EXPECT_TRUE(
          builder
              .AddRow({block, std::string(peeled ? "b" : "a"),
                       std::string(peeled ? "peeled" : "as_they_are"), true, never ? 40.0 : day - 2,
                       never ? Cell() : Cell(day), std::string(never ? "not_reached" : "reached")})
              .ok());
    }
  }
  return std::make_unique<MemoryDataset>(std::move(builder).Build());
}

TEST(TimeToThreshold, DescribesItselfAsItsManifestDoes) {
  TestPlugins ground;
  const auto outcome = AskManifest(TimeToThreshold(), ground.limits());
  EXPECT_TRUE(outcome.answer.ok()) << outcome.answer.status();
}

TEST(TimeToThreshold, HasNothingAgainstAFittingProtocol) {
  TestPlugins ground;
  plugin::v1::CheckProtocolRequest request;
  *request.mutable_protocol() = PeelingSetup().protocol();
  request.set_analysis("main");
  const auto outcome = CheckProtocol(TimeToThreshold(), request, ground.limits());
  ASSERT_TRUE(outcome.answer.ok()) << outcome.answer.status();
  for (const study::v1::Problem& problem : outcome.answer->problems()) {
    EXPECT_TRUE(problem.advice()) << problem.path() << " " << problem.what();
  }
}

TEST(TimeToThreshold, AnswersWithAResultThatTheHostTakes) {
  TestPlugins ground;
  const InstalledPlugin plugin = TimeToThreshold();
  const std::unique_ptr<MemoryDataset> data = Pairs();
  const auto outcome = Analyze(plugin, PeelingSetup(), *data, ground.limits());
  ASSERT_TRUE(outcome.answer.ok()) << outcome.answer.status();
  EXPECT_EQ(outcome.answer->status(), v1::RESULT_STATUS_ANSWERED);
  EXPECT_EQ(outcome.answer->estimates(0).standing(), v1::STANDING_PRIMARY);
  EXPECT_LT(outcome.answer->estimates(0).value(), 0) << "peeled seeds came up sooner";
  EXPECT_THAT(outcome.answer->findings(), Not(IsEmpty()));
  EXPECT_TRUE(ground.ScratchIsEmpty());

  const std::unique_ptr<MemoryDataset> again = Pairs();
  const auto second = Analyze(plugin, PeelingSetup(), *again, ground.limits());
  ASSERT_TRUE(second.answer.ok()) << second.answer.status();
  EXPECT_EQ(second.answer->SerializeAsString(), outcome.answer->SerializeAsString());
}

TEST(TimeToThreshold, SaysInWordsWhatItCantAnalyse) {
  TestPlugins ground;
  const std::unique_ptr<MemoryDataset> without_outcome = SmallDataset(10);
  const auto outcome =
      Analyze(TimeToThreshold(), PeelingSetup(), *without_outcome, ground.limits());
  EXPECT_EQ(outcome.failure, v1::RUN_FAILURE_PLUGIN_DECLINED);
  EXPECT_THAT(std::string(outcome.answer.status().message()), HasSubstr("sprouted"));
}

}  // namespace
}  // namespace plumule::analysis
