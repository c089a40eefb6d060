// One plugin process: that it answers, and that no way of failing harms its host. Each promise
// holds with a distinct cause, within its limit, and with nothing left behind.
#include "server/analysis/plugin_process.h"

#include <fcntl.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <chrono>
#include <filesystem>
#include <fstream>
#include <mutex>
#include <thread>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/synchronization/notification.h"
#include "absl/time/clock.h"
#include "tests/unit/analysis/test_plugins.h"

namespace plumule::analysis {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::Not;
using ::testing::StartsWith;

class PluginProcess : public ::testing::Test {
 protected:
  PluginOutcome<v1::Result> Run(const InstalledPlugin& plugin, const PluginLimits& limits,
                                std::stop_token stop = {}, int rows = 10) {
    plugin::v1::AnalysisSetup setup;
    setup.set_seed(42);
    const auto data = SmallDataset(rows);
    PluginOutcome<v1::Result> outcome =
        Analyze(plugin, setup, *data, limits, std::move(stop), on_progress_);
    ExpectNothingLeft(outcome.output);
    return outcome;
  }
  PluginOutcome<v1::Result> Run(const std::string& behavior, const PluginLimits& limits) {
    return Run(plugins_.Install(behavior), limits);
  }

  void ExpectNothingLeft(const std::string& output) {
    EXPECT_TRUE(plugins_.ScratchIsEmpty());
    // The kill has been sent when the call returns; the kernel needs a moment for it.
    const absl::Time deadline = absl::Now() + absl::Seconds(10);
    while (GroupLives(output) && absl::Now() < deadline) std::this_thread::yield();
    EXPECT_FALSE(GroupLives(output)) << output;
  }

  template <typename Answer>
  static void ExpectFailure(const PluginOutcome<Answer>& outcome, v1::RunFailure cause,
                            const std::string& words) {
    EXPECT_EQ(outcome.failure, cause) << v1::RunFailure_Name(outcome.failure);
    ASSERT_FALSE(outcome.answer.ok());
    EXPECT_THAT(std::string(outcome.answer.status().message()), HasSubstr(words));
  }

  TestPlugins plugins_;
  ProgressListener on_progress_;
};

TEST_F(PluginProcess, GivesTheResultOfAWellBehavedPlugin) {
  const PluginOutcome<v1::Result> outcome = Run("well-behaved", plugins_.limits());
  ASSERT_TRUE(outcome.answer.ok()) << outcome.answer.status();
  EXPECT_EQ(outcome.failure, v1::RUN_FAILURE_UNSPECIFIED);
  EXPECT_EQ(outcome.answer->estimates(0).value(), 10);
  EXPECT_EQ(outcome.answer->estimates(1).id(), "units_soil");
  EXPECT_EQ(outcome.answer->estimates(1).value(), 5);
  EXPECT_EQ(outcome.answer->method_statement(), "Counted, with the seed 42 and 0 looks.");
}

TEST_F(PluginProcess, SendsEveryRowInManyChunksAndTheLooks) {
  TableBuilder looks({Column("block", v1::COLUMN_TYPE_CODE)}, 7);
  for (int i = 0; i < 50; ++i) ASSERT_TRUE(looks.AddRow({std::string("b")}).ok());
  TableBuilder units({Column("arm", v1::COLUMN_TYPE_CODE)}, 1000);
  for (int i = 0; i < 100000; ++i) ASSERT_TRUE(units.AddRow({std::string("water")}).ok());
  MemoryDataset data(std::move(units).Build(), std::move(looks).Build());
  const auto outcome = Analyze(plugins_.Install("well-behaved"), plugin::v1::AnalysisSetup(), data,
                               plugins_.limits());
  ASSERT_TRUE(outcome.answer.ok()) << outcome.answer.status();
  EXPECT_EQ(outcome.answer->estimates(0).value(), 100000);
  EXPECT_THAT(outcome.answer->method_statement(), HasSubstr("50 looks"));
}

TEST_F(PluginProcess, TellsOfProgress) {
  std::vector<std::string> told;
  on_progress_ = [&](double fraction, absl::string_view doing) {
    told.push_back(absl::StrCat(fraction, " ", doing));
  };
  ASSERT_TRUE(Run("well-behaved", plugins_.limits()).answer.ok());
  EXPECT_THAT(told, ElementsAre("0.5 counting"));
}

TEST_F(PluginProcess, GivesTheSameBytesForTheSameInput) {
  const InstalledPlugin plugin = plugins_.Install("well-behaved");
  const auto first = Run(plugin, plugins_.limits());
  const auto second = Run(plugin, plugins_.limits());
  ASSERT_TRUE(first.answer.ok() && second.answer.ok());
  EXPECT_EQ(first.answer->SerializeAsString(), second.answer->SerializeAsString());
}

TEST_F(PluginProcess, ServesManyCallersAtOnce) {
  const InstalledPlugin plugin = plugins_.Install("well-behaved");
  std::vector<std::thread> callers;
  std::atomic<int> answered = 0;
  for (int i = 0; i < 6; ++i) {
    callers.emplace_back([&, i] {
      const auto data = SmallDataset(10 + i);
      const auto outcome = Analyze(plugin, plugin::v1::AnalysisSetup(), *data, plugins_.limits());
      if (outcome.answer.ok() && outcome.answer->estimates(0).value() == 10 + i) ++answered;
    });
  }
  for (std::thread& caller : callers) caller.join();
  EXPECT_EQ(answered, 6);
  EXPECT_TRUE(plugins_.ScratchIsEmpty());
}

TEST_F(PluginProcess, PoolsStudies) {
  plugin::v1::SynthesizeRequest request;
  request.add_studies()->set_study("a");
  request.add_studies()->set_study("b");
  const auto outcome = Synthesize(plugins_.Install("well-behaved"), request, plugins_.limits());
  ASSERT_TRUE(outcome.answer.ok()) << outcome.answer.status();
  EXPECT_EQ(outcome.answer->estimates(0).value(), 2);
}

TEST_F(PluginProcess, PlansStudiesAndTellsProgress) {
  plugin::v1::PlanRequest request;
  request.set_blocks(40);
  std::vector<std::string> doing;
  const auto outcome = Plan(plugins_.Install("well-behaved"), request, plugins_.limits(), {},
                            [&](double, absl::string_view what) { doing.emplace_back(what); });
  ASSERT_TRUE(outcome.answer.ok()) << outcome.answer.status();
  EXPECT_EQ(outcome.answer->estimates(0).value(), 40);
  EXPECT_EQ(doing, std::vector<std::string>{"supposing"});
}

TEST_F(PluginProcess, RefusesAPlanThatBreaksRulesOfResults) {
  const auto outcome =
      Plan(plugins_.Install("nan-result"), plugin::v1::PlanRequest(), plugins_.limits());
  ExpectFailure(outcome, v1::RUN_FAILURE_RESULT_REFUSED, "estimates[0].value: must be finite");
}

TEST_F(PluginProcess, PassesOnWhatAPluginSaysOfAProtocol) {
  plugin::v1::CheckProtocolRequest request;
  request.set_analysis("main");
  const auto outcome = CheckProtocol(plugins_.Install("well-behaved"), request, plugins_.limits());
  ASSERT_TRUE(outcome.answer.ok()) << outcome.answer.status();
  EXPECT_EQ(outcome.answer->problems(0).path(), "analyses[main]");
}

TEST_F(PluginProcess, AsksForTheManifestThatIsCompiledIn) {
  const InstalledPlugin plugin = plugins_.Install("well-behaved");
  const auto outcome = AskManifest(plugin, plugins_.limits());
  ASSERT_TRUE(outcome.answer.ok()) << outcome.answer.status();
  EXPECT_EQ(outcome.answer->SerializeAsString(), plugin.manifest.SerializeAsString());
}

TEST_F(PluginProcess, RefusesAPluginThatDescribesItselfOtherwise) {
  const auto outcome =
      AskManifest(plugins_.Install("describes-itself-otherwise"), plugins_.limits());
  ExpectFailure(outcome, v1::RUN_FAILURE_VERSIONS_DO_NOT_MEET, "otherwise than its manifest.json");
}

TEST_F(PluginProcess, SeesNothingOfItsHost) {
  setenv("PLUMULE_TEST_SECRET", "hidden", 1);
  // A descriptor that a careless part of the host would let children inherit.
  const int careless = open("/etc/hostname", O_RDONLY);
  const auto outcome = Run("tells-surroundings", plugins_.limits());
  close(careless);
  ASSERT_TRUE(outcome.answer.ok()) << outcome.answer.status();
  const std::string seen = outcome.answer->warnings(0).message();
  EXPECT_THAT(seen, Not(HasSubstr("PLUMULE_TEST_SECRET")));
  EXPECT_THAT(seen, Not(HasSubstr("hostname")));
  for (const char* variable : {"PATH", "LANG", "TMPDIR", "PLUMULE_PLUGIN_SOCKET",
                               "PLUMULE_PLUGIN_TOKEN", "PLUMULE_PLUGIN_LEASE"}) {
    EXPECT_THAT(seen, HasSubstr(absl::StrCat("variable ", variable, "\n")));
  }
  size_t variables = 0;
  for (size_t at = 0; (at = seen.find("variable ", at)) != std::string::npos; ++at) ++variables;
  EXPECT_EQ(variables, 6U);
  EXPECT_THAT(seen, HasSubstr("descriptor 0 /dev/null"));
  EXPECT_THAT(seen, HasSubstr("NoNewPrivs:\t1"));
  EXPECT_THAT(seen, HasSubstr("group leader yes"));
  EXPECT_THAT(seen, HasSubstr(absl::StrCat("temporary ", plugins_.limits().scratch)));
}

TEST_F(PluginProcess, SaysWhichLimitsHold) {
  PluginLimits limits = plugins_.limits();
  limits.file_bytes = 7 << 20;
  const auto outcome = Run("well-behaved", limits);
  const std::string words = absl::StrJoin(outcome.enforced, "\n");
  EXPECT_THAT(words, HasSubstr("address space: "));
  EXPECT_THAT(words, HasSubstr("file size: 7 MiB a file"));
  EXPECT_THAT(words, HasSubstr("no new privileges"));
  EXPECT_THAT(words, HasSubstr("not enforced: number of processes"));
}

size_t OpenDescriptors() {
  const std::filesystem::directory_iterator descriptors("/proc/self/fd");
  return static_cast<size_t>(std::distance(begin(descriptors), end(descriptors)));
}

TEST_F(PluginProcess, LeavesNoDescriptorOpen) {
  const InstalledPlugin good = plugins_.Install("well-behaved");
  const InstalledPlugin bad = plugins_.Install("exits-at-once");
  // gRPC opens some of its own, once.
  Run(good, plugins_.limits());
  const size_t before = OpenDescriptors();
  for (int i = 0; i < 5; ++i) {
    Run(good, plugins_.limits());
    Run(bad, plugins_.limits());
  }
  // gRPC closes its end of a connection when it finds the time.
  const absl::Time deadline = absl::Now() + absl::Seconds(10);
  while (OpenDescriptors() > before && absl::Now() < deadline) std::this_thread::yield();
  EXPECT_EQ(OpenDescriptors(), before);
}

// Could not start.

TEST_F(PluginProcess, FailsForAnExecutableThatIsGone) {
  const InstalledPlugin plugin = plugins_.Install("well-behaved");
  std::filesystem::remove(plugin.executable);
  ExpectFailure(Run(plugin, plugins_.limits()), v1::RUN_FAILURE_COULD_NOT_START, "can't find");
}

TEST_F(PluginProcess, FailsForAnExecutableThatHasChangedSinceItsDigestWasTaken) {
  const InstalledPlugin plugin = plugins_.Install("well-behaved");
  std::ofstream(plugin.executable, std::ios::app) << "more";
  ExpectFailure(Run(plugin, plugins_.limits()), v1::RUN_FAILURE_COULD_NOT_START, "has changed");
}

TEST_F(PluginProcess, FailsForAScriptWithoutItsInterpreter) {
  plugins_.Write("script", TestPlugins::ManifestOf("script"), "#!/nonexistent/interpreter\n");
  const auto plugin = ReadPluginFolder(plugins_.directory() + "/script");
  ASSERT_TRUE(plugin.ok()) << plugin.status();
  ExpectFailure(Run(*plugin, plugins_.limits()), v1::RUN_FAILURE_COULD_NOT_START, "can't execute");
}

TEST_F(PluginProcess, FailsForAFileThatIsNoProgram) {
  plugins_.Write("junk", TestPlugins::ManifestOf("junk"),
                 "\x7f"
                 "ELF but not really");
  const auto plugin = ReadPluginFolder(plugins_.directory() + "/junk");
  ASSERT_TRUE(plugin.ok()) << plugin.status();
  ExpectFailure(Run(*plugin, plugins_.limits()), v1::RUN_FAILURE_COULD_NOT_START, "can't execute");
}

TEST_F(PluginProcess, FailsForAScratchFolderThatIsTooDeepForASocket) {
  PluginLimits limits = plugins_.limits();
  limits.scratch = absl::StrCat(plugins_.limits().scratch, "/", std::string(90, 'x'));
  std::filesystem::create_directory(limits.scratch);
  const auto data = SmallDataset(2);
  const auto outcome =
      Analyze(plugins_.Install("well-behaved"), plugin::v1::AnalysisSetup(), *data, limits);
  ExpectFailure(outcome, v1::RUN_FAILURE_COULD_NOT_START, "longer than 100 bytes");
  EXPECT_TRUE(std::filesystem::is_empty(limits.scratch));
}

// Exited.

TEST_F(PluginProcess, ReportsAnExitAtOnceWithItsStatusAndItsLastWords) {
  const absl::Time start = absl::Now();
  const auto outcome = Run("exits-at-once", plugins_.limits());
  ExpectFailure(outcome, v1::RUN_FAILURE_EXITED, "ended with exit status 3 before it answered");
  EXPECT_THAT(std::string(outcome.answer.status().message()),
              HasSubstr("the license file is missing"));
  // It did not wait for the time to start, which is 20 s.
  EXPECT_LT(absl::Now() - start, absl::Seconds(10));
}

TEST_F(PluginProcess, ReportsAnExitInTheHandshake) {
  ExpectFailure(Run("dies-in-handshake", plugins_.limits()), v1::RUN_FAILURE_EXITED,
                "exit status 7");
}

TEST_F(PluginProcess, ReportsADeathBySignalByName) {
  ExpectFailure(Run("dies-by-signal", plugins_.limits()), v1::RUN_FAILURE_EXITED,
                "was killed by signal SEGV before it answered");
}

TEST_F(PluginProcess, ReportsADroppedConnection) {
  ExpectFailure(Run("closes-early", plugins_.limits()), v1::RUN_FAILURE_EXITED,
                "closed its connection before it answered");
}

#ifndef __SANITIZE_ADDRESS__  // Address space can't be limited under this sanitizer.
TEST_F(PluginProcess, SurvivesAPluginThatEatsMemory) {
  PluginLimits limits = plugins_.limits();
  limits.memory_mib = 200;
  limits.address_space_margin_mib = 1000;
  ExpectFailure(Run("eats-memory", limits), v1::RUN_FAILURE_EXITED, "was killed by signal ABRT");
}
#endif

TEST_F(PluginProcess, TakesTheResultOfAPluginThatIsInAHurryToLeave) {
  const auto outcome = Run("exits-after-answer", plugins_.limits());
  // What it sent before it left either arrived whole or is reported as an exit; never a hang.
  if (!outcome.answer.ok()) ExpectFailure(outcome, v1::RUN_FAILURE_EXITED, "exit status 0");
}

// Timed out.

TEST_F(PluginProcess, EndsAPluginThatDoesNotListen) {
  PluginLimits limits = plugins_.limits();
  limits.start = absl::Milliseconds(400);
  ExpectFailure(Run("hangs-before-listening", limits), v1::RUN_FAILURE_TIMED_OUT,
                "did not listen on its socket within 0.4 s");
}

TEST_F(PluginProcess, EndsAPluginThatDoesNotAnswerTheHandshake) {
  PluginLimits limits = plugins_.limits();
  limits.start = absl::Seconds(2);
  ExpectFailure(Run("hangs-in-handshake", limits), v1::RUN_FAILURE_TIMED_OUT,
                "did not answer the handshake within 2 s");
}

TEST_F(PluginProcess, EndsAPluginThatDoesNotAnswerTheAnalysis) {
  PluginLimits limits = plugins_.limits();
  limits.work = absl::Milliseconds(400);
  // More rows than flow control lets through to a plugin that does not read.
  const auto outcome = Run(plugins_.Install("hangs-in-analyze"), limits, {}, 100000);
  ExpectFailure(outcome, v1::RUN_FAILURE_TIMED_OUT, "did not answer within 0.4 s");
}

TEST_F(PluginProcess, GivesNoMoreTimeThanTheHostsMost) {
  InstalledPlugin plugin = plugins_.Install("hangs-in-analyze");
  plugin.manifest.mutable_resources()->set_seconds(3600);
  PluginLimits limits = plugins_.limits();
  limits.max_work = absl::Milliseconds(300);
  ExpectFailure(Run(plugin, limits), v1::RUN_FAILURE_TIMED_OUT, "did not answer within 0.3 s");
}

TEST_F(PluginProcess, KillsAPluginThatIgnoresTheLeaseAndKeepsItsResult) {
  const auto outcome = Run("ignores-lease", plugins_.limits());
  EXPECT_TRUE(outcome.answer.ok()) << outcome.answer.status();
}

TEST_F(PluginProcess, KillsWhatAPluginLeavesBehind) {
  // That nothing lives on is checked by Run.
  EXPECT_TRUE(Run("leaves-a-child", plugins_.limits()).answer.ok());
}

// Versions don't meet.

TEST_F(PluginProcess, ReportsARefusedToken) {
  ExpectFailure(Run("refuses-token", plugins_.limits()), v1::RUN_FAILURE_VERSIONS_DO_NOT_MEET,
                "refused the handshake: this is not the token");
}

TEST_F(PluginProcess, ExplainsThatThereIsNoCommonVersion) {
  ExpectFailure(Run("other-version", plugins_.limits()), v1::RUN_FAILURE_VERSIONS_DO_NOT_MEET,
                "speaks version 7 of the plugin protocol");
}

TEST_F(PluginProcess, RefusesAnotherPluginThanTheManifestSays) {
  ExpectFailure(Run("other-id", plugins_.limits()), v1::RUN_FAILURE_VERSIONS_DO_NOT_MEET,
                "calls itself someone-else 1.0.0, but its manifest says other-id 1.0.0");
}

TEST_F(PluginProcess, ReportsAMissingMethodThatTheManifestPromises) {
  const auto outcome = Synthesize(plugins_.Install("cannot-pool"), plugin::v1::SynthesizeRequest(),
                                  plugins_.limits());
  ExpectFailure(outcome, v1::RUN_FAILURE_VERSIONS_DO_NOT_MEET, "lacks what its manifest promises");
}

// Result refused.

TEST_F(PluginProcess, RefusesAResultWithNumbersThatAreNone) {
  ExpectFailure(Run("nan-result", plugins_.limits()), v1::RUN_FAILURE_RESULT_REFUSED,
                "estimates[0].value: must be finite");
}

TEST_F(PluginProcess, RefusesAResultWhoseWordsDriftFromItsNumbers) {
  ExpectFailure(Run("drifting-quote", plugins_.limits()), v1::RUN_FAILURE_RESULT_REFUSED,
                "the words say 999 where the source rounds to 10");
}

TEST_F(PluginProcess, RefusesAFigureThatLoadsSomething) {
  ExpectFailure(Run("url-figure", plugins_.limits()), v1::RUN_FAILURE_RESULT_REFUSED,
                "$.data.url is not allowed");
}

TEST_F(PluginProcess, RefusesAnAnswerWithoutAResult) {
  ExpectFailure(Run("no-result", plugins_.limits()), v1::RUN_FAILURE_RESULT_REFUSED,
                "without a result");
}

TEST_F(PluginProcess, RefusesASecondResult) {
  ExpectFailure(Run("two-results", plugins_.limits()), v1::RUN_FAILURE_RESULT_REFUSED,
                "sent more after its result");
}

// Limit passed.

TEST_F(PluginProcess, RefusesAResultThatIsTooLargeForAMessage) {
  ExpectFailure(Run("oversize-result", plugins_.limits()), v1::RUN_FAILURE_LIMIT_PASSED,
                "passed a limit");
}

TEST_F(PluginProcess, EndsAFloodOfOutput) {
  PluginLimits limits = plugins_.limits();
  limits.output_bytes = 4 << 20;
  const auto outcome = Run("floods-output", limits);
  ExpectFailure(outcome, v1::RUN_FAILURE_LIMIT_PASSED, "wrote more than 4194304 bytes of output");
  EXPECT_LT(outcome.output.size(), limits.kept_output_bytes + 100);
}

TEST_F(PluginProcess, EndsAFloodOfProgress) {
  PluginLimits limits = plugins_.limits();
  limits.progress_messages = 1000;
  ExpectFailure(Run("floods-progress", limits), v1::RUN_FAILURE_LIMIT_PASSED,
                "more than 1000 messages of progress");
}

TEST_F(PluginProcess, EndsAFloodOfBytes) {
  PluginLimits limits = plugins_.limits();
  limits.received_bytes = 10000;
  ExpectFailure(Run("floods-progress", limits), v1::RUN_FAILURE_LIMIT_PASSED,
                "sent more than 10000 bytes");
}

TEST_F(PluginProcess, EndsAPluginThatWritesAHugeFile) {
  PluginLimits limits = plugins_.limits();
  limits.file_bytes = 8 << 20;
  ExpectFailure(Run("writes-a-huge-file", limits), v1::RUN_FAILURE_LIMIT_PASSED,
                "it passed its limit of file size");
}

TEST_F(PluginProcess, KeepsTheBeginningAndTheEndOfLongOutput) {
  PluginLimits limits = plugins_.limits();
  limits.kept_output_bytes = 1000;
  const auto outcome = Run("talks-much", limits);
  ASSERT_TRUE(outcome.answer.ok()) << outcome.answer.status();
  EXPECT_THAT(outcome.output, StartsWith("process "));
  EXPECT_THAT(outcome.output, HasSubstr("bytes of output left out"));
  EXPECT_THAT(outcome.output, HasSubstr("line 19999 of a long story\n"));
}

// Declined, stopped, and faults of the host.

TEST_F(PluginProcess, PassesOnThatAPluginCantAnalyseTheData) {
  ExpectFailure(Run("declines", plugins_.limits()), v1::RUN_FAILURE_PLUGIN_DECLINED,
                "can't work with what it was given: no unit has an arm\nname an arm for each");
}

TEST_F(PluginProcess, PassesOnAnErrorInsideThePlugin) {
  ExpectFailure(Run("fails-inside", plugins_.limits()), v1::RUN_FAILURE_PLUGIN_DECLINED,
                "answered with INTERNAL: the matrix is singular");
}

TEST_F(PluginProcess, StartsNothingThatThePluginCantDo) {
  InstalledPlugin plugin = plugins_.Install("well-behaved");
  plugin.manifest.clear_capabilities();
  const auto outcome = Run(plugin, plugins_.limits());
  ExpectFailure(outcome, v1::RUN_FAILURE_PLUGIN_DECLINED, "does not analyze");
  EXPECT_TRUE(outcome.enforced.empty());
}

// A dataset that stops its own analysis when it is first read, or fails then.
class TrickyDataset final : public DatasetSource, public TableSource {
 public:
  explicit TrickyDataset(std::function<absl::StatusOr<bool>()> next) : next_(std::move(next)) {
    schema_.set_rows(1);
  }
  TableSource& units() override { return *this; }
  TableSource* looks() override { return nullptr; }
  const v1::DatasetSchema& schema() const override { return schema_; }
  absl::StatusOr<bool> Next(v1::DatasetChunk*) override { return next_(); }

 private:
  const std::function<absl::StatusOr<bool>()> next_;
  v1::DatasetSchema schema_;
};

TEST_F(PluginProcess, StopsWhenItIsToldTo) {
  std::stop_source stop;
  // Surely at work: the plugin has been sent the schema.
  TrickyDataset data([&]() -> absl::StatusOr<bool> {
    stop.request_stop();
    return false;
  });
  const absl::Time start = absl::Now();
  const auto outcome = Analyze(plugins_.Install("hangs-in-analyze"), plugin::v1::AnalysisSetup(),
                               data, plugins_.limits(), stop.get_token());
  EXPECT_TRUE(absl::IsCancelled(outcome.answer.status())) << outcome.answer.status();
  EXPECT_EQ(outcome.failure, v1::RUN_FAILURE_UNSPECIFIED);
  EXPECT_LT(absl::Now() - start, absl::Seconds(15));
  ExpectNothingLeft(outcome.output);
}

TEST_F(PluginProcess, DoesNotWorkForSomeoneWhoStoppedBefore) {
  std::stop_source stop;
  stop.request_stop();
  const auto outcome =
      Run(plugins_.Install("hangs-before-listening"), plugins_.limits(), stop.get_token());
  EXPECT_TRUE(absl::IsCancelled(outcome.answer.status())) << outcome.answer.status();
}

TEST_F(PluginProcess, ReportsADatasetThatCantBeReadAsTheHostsFault) {
  TrickyDataset data(
      []() -> absl::StatusOr<bool> { return absl::DataLossError("block 7 is torn"); });
  const auto outcome = Analyze(plugins_.Install("well-behaved"), plugin::v1::AnalysisSetup(), data,
                               plugins_.limits());
  ExpectFailure(outcome, v1::RUN_FAILURE_SERVER_FAULT, "block 7 is torn");
  ExpectNothingLeft(outcome.output);
}

TEST_F(PluginProcess, ReportsADatasetWithMissingRowsAsTheHostsFault) {
  TrickyDataset data([]() -> absl::StatusOr<bool> { return false; });
  const auto outcome = Analyze(plugins_.Install("well-behaved"), plugin::v1::AnalysisSetup(), data,
                               plugins_.limits());
  ExpectFailure(outcome, v1::RUN_FAILURE_SERVER_FAULT, "0 rows where its schema says 1");
}

}  // namespace
}  // namespace plumule::analysis
