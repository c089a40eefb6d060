// The queue of runs: fair, capped, cancellable, stored, cached.
#include "server/analysis/runs.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <set>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/synchronization/mutex.h"
#include "absl/synchronization/notification.h"
#include "absl/time/clock.h"
#include "server/analysis/sha256.h"
#include "server/protocol/reason.h"
#include "server/store/memory_store.h"
#include "tests/unit/analysis/test_plugins.h"

namespace plumule::analysis {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;

constexpr absl::Duration kPatience = absl::Seconds(30);

std::string Uuid(int number) { return absl::StrFormat("00000000-0000-4000-8000-%012d", number); }

std::string Freeze(const std::string& community, int number = 1) {
  return absl::StrCat("communities/", community, "/studies/basil/freezes/", number);
}

class RunsTest : public ::testing::Test {
 protected:
  RunsTest() {
    for (const char* behavior : {"well-behaved", "hangs-in-analyze", "drifting-quote"}) {
      plugins_.Install(behavior);
    }
    catalog_ = std::make_shared<PluginCatalog>(*PluginCatalog::Read(plugins_.directory()));
    options_.workers = 1;
    options_.limits = plugins_.limits();
    options_.plumule_version = "0.1.0";
  }

  ~RunsTest() override {
    if (!gate_.HasBeenNotified()) gate_.Notify();
  }

  std::unique_ptr<Runs> Open() {
    auto runs = Runs::Open(
        &store_, catalog_,
        [this](absl::string_view freeze, absl::string_view analysis) {
          return Prepare(std::string(freeze), std::string(analysis));
        },
        [this] { return Now(); }, options_);
    EXPECT_TRUE(runs.ok()) << runs.status();
    return *std::move(runs);
  }

  // The analysis `id` uses the plugin of that name; `gated` waits for the gate when its data are
  // opened, and `torn` has none.
  absl::StatusOr<PreparedAnalysis> Prepare(const std::string& freeze, const std::string& id) {
    if (id == "unknown") {
      return ReasonedError(absl::StatusCode::kNotFound, "analysis_not_found", "There is none.");
    }
    PreparedAnalysis prepared;
    prepared.dataset_digest = Sha256Hex(freeze);
    study::v1::Analysis& analysis = *prepared.setup.mutable_analysis();
    analysis.set_id(id);
    analysis.set_plugin(id == "gated" || id == "torn" ? "well-behaved" : id);
    prepared.open = [this, freeze, id]() -> absl::StatusOr<std::unique_ptr<DatasetSource>> {
      {
        absl::MutexLock lock(&mutex_);
        opened_.push_back(freeze);
      }
      if (id == "gated") gate_.WaitForNotification();
      if (id == "torn") return absl::DataLossError("the log is torn");
      return SmallDataset(10);
    };
    return prepared;
  }

  absl::Time Now() {
    absl::MutexLock lock(&mutex_);
    now_ += absl::Seconds(1);
    return now_;
  }
  std::vector<std::string> opened() {
    absl::MutexLock lock(&mutex_);
    return opened_;
  }
  void WaitUntilOpened(size_t count) {
    absl::MutexLock lock(&mutex_);
    const auto enough = [&] { return opened_.size() >= count; };
    ASSERT_TRUE(mutex_.AwaitWithTimeout(absl::Condition(&enough), kPatience));
  }

  static absl::StatusOr<v1::Run> Ask(Runs& runs, const std::string& freeze,
                                     const std::string& analysis, int request) {
    v1::CreateRunRequest message;
    message.set_freeze(freeze);
    message.set_analysis(analysis);
    message.set_request_id(Uuid(request));
    return runs.CreateRun(message);
  }
  static v1::Run Created(Runs& runs, const std::string& freeze, const std::string& analysis,
                         int request) {
    const absl::StatusOr<v1::Run> run = Ask(runs, freeze, analysis, request);
    EXPECT_TRUE(run.ok()) << run.status();
    return run.value_or(v1::Run());
  }
  static v1::Run Ended(const Runs& runs, const v1::Run& run) {
    const auto ended = runs.WaitFor(run.name(), absl::Now() + kPatience);
    EXPECT_TRUE(ended.ok()) << ended.status();
    return ended.value_or(v1::Run());
  }

  TestPlugins plugins_;
  std::shared_ptr<const PluginCatalog> catalog_;
  RunsOptions options_;
  store::MemoryStore store_;
  absl::Notification gate_;
  absl::Mutex mutex_;
  std::vector<std::string> opened_ ABSL_GUARDED_BY(mutex_);
  absl::Time now_ ABSL_GUARDED_BY(mutex_) = absl::FromUnixSeconds(1'800'000'000);
};

TEST_F(RunsTest, StoresTheResultWithAllThatIsNeededToMakeItAgain) {
  const auto runs = Open();
  const v1::Run queued = Created(*runs, Freeze("balcony"), "well-behaved", 1);
  EXPECT_EQ(queued.name(), absl::StrCat("communities/balcony/studies/basil/runs/", Uuid(1)));
  EXPECT_EQ(queued.state(), v1::RUN_STATE_QUEUED);
  const v1::Run ended = Ended(*runs, queued);
  EXPECT_EQ(ended.state(), v1::RUN_STATE_SUCCEEDED) << ended.message();
  EXPECT_EQ(ended.progress(), 1);
  EXPECT_GT(ended.end_time().seconds(), ended.create_time().seconds());

  const auto stored = runs->GetResult(ended.result());
  ASSERT_TRUE(stored.ok()) << stored.status();
  const v1::Provenance& from = stored->provenance();
  EXPECT_EQ(from.study(), "communities/balcony/studies/basil");
  EXPECT_EQ(from.freeze(), Freeze("balcony"));
  EXPECT_EQ(from.dataset_digest(), Sha256Hex(Freeze("balcony")));
  EXPECT_EQ(from.plugin().digest(), catalog_->Find("well-behaved")->digest);
  EXPECT_EQ(from.analysis().confidence_level(), 0.95);
  EXPECT_EQ(from.seed(), DeriveSeed(from.dataset_digest(), "well-behaved"));
  EXPECT_EQ(from.plumule_version(), "0.1.0");
  EXPECT_GT(from.enforced_size(), 5);
  EXPECT_EQ(from.result_digest(), Sha256Hex(stored->result().SerializeAsString()));
  EXPECT_THAT(stored->result().method_statement(),
              HasSubstr(absl::StrCat("the seed ", from.seed(), " ")));
}

// Values computed with Python's hashlib by the rule in runs.h.
TEST(Seed, DependsOnDataAndAnalysisAlone) {
  EXPECT_EQ(DeriveSeed("ab", "main"), 8459657483177278900);
  EXPECT_EQ(DeriveSeed("ab", "side"), 5246757204809865946);
}

TEST_F(RunsTest, AnswersTheSameQuestionFromTheStore) {
  const auto runs = Open();
  const v1::Run first = Ended(*runs, Created(*runs, Freeze("balcony"), "well-behaved", 1));
  const v1::Run second = Created(*runs, Freeze("balcony"), "well-behaved", 2);
  EXPECT_EQ(second.state(), v1::RUN_STATE_SUCCEEDED);
  EXPECT_TRUE(second.cached());
  EXPECT_EQ(second.result(), first.result());
  EXPECT_EQ(opened().size(), 1U);
  // Another dataset is another question; so is another study's.
  EXPECT_FALSE(Ended(*runs, Created(*runs, Freeze("balcony", 2), "well-behaved", 3)).cached());
  EXPECT_FALSE(Ended(*runs, Created(*runs, Freeze("allotment"), "well-behaved", 4)).cached());
}

TEST_F(RunsTest, WorksOnceForAQuestionThatWasAskedTwiceAtATime) {
  const auto runs = Open();
  const v1::Run first = Created(*runs, Freeze("balcony"), "gated", 1);
  const v1::Run second = Created(*runs, Freeze("balcony"), "gated", 2);
  EXPECT_EQ(second.state(), v1::RUN_STATE_QUEUED);
  gate_.Notify();
  EXPECT_EQ(Ended(*runs, second).state(), v1::RUN_STATE_SUCCEEDED);
  EXPECT_TRUE(Ended(*runs, second).cached());
  EXPECT_EQ(Ended(*runs, second).result(), Ended(*runs, first).result());
  EXPECT_EQ(opened().size(), 1U);
}

TEST_F(RunsTest, GivesTheSameRunForTheSameRequest) {
  const auto runs = Open();
  const v1::Run first = Created(*runs, Freeze("balcony"), "gated", 1);
  EXPECT_EQ(Created(*runs, Freeze("balcony"), "gated", 1).name(), first.name());
  EXPECT_EQ(ReasonOf(Ask(*runs, Freeze("balcony", 2), "gated", 1).status()), "request_id_reused");
  EXPECT_EQ(runs->List("communities/balcony/studies/basil", 0, "")->items.size(), 1U);
  gate_.Notify();
}

TEST_F(RunsTest, ServesCommunitiesInTurn) {
  const auto runs = Open();
  Created(*runs, Freeze("busy", 1), "gated", 1);
  WaitUntilOpened(1);
  for (int i = 2; i <= 4; ++i) Created(*runs, Freeze("busy", i), "well-behaved", i);
  Created(*runs, Freeze("quiet", 1), "well-behaved", 5);
  const v1::Run last = Created(*runs, Freeze("calm", 1), "well-behaved", 6);
  gate_.Notify();
  Ended(*runs, last);
  WaitUntilOpened(6);
  EXPECT_THAT(opened(), ElementsAre(Freeze("busy", 1), Freeze("busy", 2), Freeze("quiet", 1),
                                    Freeze("calm", 1), Freeze("busy", 3), Freeze("busy", 4)));
}

TEST_F(RunsTest, RefusesMoreThanACommunitysShareOfTheQueue) {
  options_.queued_per_community = 2;
  const auto runs = Open();
  Created(*runs, Freeze("busy", 1), "gated", 1);
  WaitUntilOpened(1);
  Created(*runs, Freeze("busy", 2), "gated", 2);
  Created(*runs, Freeze("busy", 3), "gated", 3);
  const absl::Status refused = Ask(*runs, Freeze("busy", 4), "gated", 4).status();
  EXPECT_TRUE(absl::IsResourceExhausted(refused));
  EXPECT_EQ(ReasonOf(refused), "run_queue_full");
  EXPECT_TRUE(DetailsOf(refused)->retry_after.has_value());
  EXPECT_TRUE(Ask(*runs, Freeze("quiet"), "gated", 5).ok());
  gate_.Notify();
}

TEST_F(RunsTest, StopsARunThatWaits) {
  const auto runs = Open();
  Created(*runs, Freeze("balcony", 1), "gated", 1);
  WaitUntilOpened(1);
  const v1::Run waiting = Created(*runs, Freeze("balcony", 2), "gated", 2);
  const auto cancelled = runs->Cancel(waiting.name());
  ASSERT_TRUE(cancelled.ok());
  EXPECT_EQ(cancelled->state(), v1::RUN_STATE_CANCELLED);
  gate_.Notify();
  EXPECT_EQ(opened().size(), 1U);
}

TEST_F(RunsTest, StopsARunThatWorks) {
  const auto runs = Open();
  const v1::Run run = Created(*runs, Freeze("balcony"), "hangs-in-analyze", 1);
  WaitUntilOpened(1);
  const auto cancelled = runs->Cancel(run.name());
  ASSERT_TRUE(cancelled.ok());
  EXPECT_EQ(cancelled->state(), v1::RUN_STATE_CANCELLED);
  EXPECT_TRUE(plugins_.ScratchIsEmpty());
  // To stop what has ended changes nothing.
  EXPECT_EQ(runs->Cancel(run.name())->end_time().seconds(), cancelled->end_time().seconds());
}

TEST_F(RunsTest, KeepsTheCauseOfAFailure) {
  const auto runs = Open();
  const v1::Run refused = Ended(*runs, Created(*runs, Freeze("balcony"), "drifting-quote", 1));
  EXPECT_EQ(refused.state(), v1::RUN_STATE_FAILED);
  EXPECT_EQ(refused.failure(), v1::RUN_FAILURE_RESULT_REFUSED);
  EXPECT_THAT(refused.message(), HasSubstr("999"));
  const v1::Run torn = Ended(*runs, Created(*runs, Freeze("balcony"), "torn", 2));
  EXPECT_EQ(torn.failure(), v1::RUN_FAILURE_SERVER_FAULT);
  EXPECT_THAT(torn.message(), HasSubstr("the log is torn"));
  // A failure is not an answer that could be kept.
  EXPECT_FALSE(Ended(*runs, Created(*runs, Freeze("balcony"), "drifting-quote", 3)).cached());
}

TEST_F(RunsTest, EndsEverythingWhenTheServerStops) {
  auto runs = Open();
  const v1::Run working = Created(*runs, Freeze("balcony", 1), "hangs-in-analyze", 1);
  WaitUntilOpened(1);
  const v1::Run waiting = Created(*runs, Freeze("balcony", 2), "well-behaved", 2);
  runs->Stop();
  for (const v1::Run& run : {working, waiting}) {
    EXPECT_EQ(Ended(*runs, run).failure(), v1::RUN_FAILURE_SERVER_STOPPED);
  }
  EXPECT_EQ(ReasonOf(Ask(*runs, Freeze("balcony", 3), "well-behaved", 3).status()),
            "server_stopping");
  EXPECT_TRUE(plugins_.ScratchIsEmpty());
}

TEST_F(RunsTest, EndsRunsThatACrashLeftOpen) {
  auto runs = Open();
  const v1::Run working = Created(*runs, Freeze("balcony", 1), "gated", 1);
  WaitUntilOpened(1);
  const v1::Run waiting = Created(*runs, Freeze("balcony", 2), "gated", 2);
  // What the next server would find after a crash at this point.
  store::MemoryStore left;
  store::WriteBatch all;
  ASSERT_TRUE(store_
                  .Scan({},
                        [&](absl::string_view key, absl::string_view value) {
                          all.Put(std::string(key), std::string(value));
                          return true;
                        })
                  .ok());
  ASSERT_TRUE(left.Commit(all, {}, store::Durability::kSynced).ok());
  gate_.Notify();
  runs.reset();

  const auto next = Runs::Open(
      &left, catalog_, nullptr, [this] { return Now(); }, options_);
  ASSERT_TRUE(next.ok()) << next.status();
  for (const v1::Run& run : {working, waiting}) {
    const auto found = (*next)->Get(run.name());
    ASSERT_TRUE(found.ok()) << found.status();
    EXPECT_EQ(found->state(), v1::RUN_STATE_FAILED);
    EXPECT_EQ(found->failure(), v1::RUN_FAILURE_SERVER_STOPPED);
    EXPECT_TRUE(found->has_end_time());
  }
}

TEST_F(RunsTest, KeepsResultsBeyondItsOwnLife) {
  auto runs = Open();
  const v1::Run first = Ended(*runs, Created(*runs, Freeze("balcony"), "well-behaved", 1));
  runs.reset();
  runs = Open();
  EXPECT_EQ(runs->Get(first.name())->SerializeAsString(), first.SerializeAsString());
  EXPECT_TRUE(Created(*runs, Freeze("balcony"), "well-behaved", 2).cached());
}

TEST_F(RunsTest, ReportsAStoreThatDoesNotKeepTheResult) {
  const auto runs = Open();
  const v1::Run run = Created(*runs, Freeze("balcony"), "gated", 1);
  WaitUntilOpened(1);
  store_.LoseTrust();
  gate_.Notify();
  const v1::Run ended = Ended(*runs, run);
  EXPECT_EQ(ended.failure(), v1::RUN_FAILURE_SERVER_FAULT);
  EXPECT_TRUE(ended.result().empty());
}

TEST_F(RunsTest, ListsRunsAndResultsNewestFirstInPages) {
  const auto runs = Open();
  for (int i = 1; i <= 5; ++i) {
    Ended(*runs, Created(*runs, Freeze("balcony", i), "well-behaved", i));
  }
  const std::string study = "communities/balcony/studies/basil";
  std::vector<std::string> run_freezes, result_freezes;
  std::string token;
  do {
    const auto page = runs->List(study, 2, token);
    ASSERT_TRUE(page.ok()) << page.status();
    for (const v1::Run& run : page->items) run_freezes.push_back(run.freeze());
    token = page->next_page_token;
  } while (!token.empty());
  do {
    const auto page = runs->ListResults(study, 2, token);
    ASSERT_TRUE(page.ok()) << page.status();
    for (const v1::StoredResult& result : page->items) {
      EXPECT_FALSE(result.has_result());
      result_freezes.push_back(result.provenance().freeze());
    }
    token = page->next_page_token;
  } while (!token.empty());
  const auto newest_first =
      ElementsAre(Freeze("balcony", 5), Freeze("balcony", 4), Freeze("balcony", 3),
                  Freeze("balcony", 2), Freeze("balcony", 1));
  EXPECT_THAT(run_freezes, newest_first);
  EXPECT_THAT(result_freezes, newest_first);
  EXPECT_EQ(ReasonOf(runs->List(study, -1, "").status()), "page_size_not_valid");
  EXPECT_EQ(ReasonOf(runs->List(study, 2, "x").status()), "page_token_not_valid");
  EXPECT_TRUE(runs->List("communities/allotment/studies/basil", 0, "")->items.empty());
}

TEST_F(RunsTest, SaysWhatItDoesNotKnow) {
  const auto runs = Open();
  const std::string study = "communities/balcony/studies/basil";
  EXPECT_EQ(ReasonOf(runs->Get(study + "/runs/none").status()), "run_not_found");
  EXPECT_EQ(ReasonOf(runs->Cancel(study + "/runs/none").status()), "run_not_found");
  EXPECT_EQ(ReasonOf(runs->GetResult(study + "/results/none").status()), "result_not_found");
  EXPECT_EQ(ReasonOf(runs->Get("nonsense").status()), "name_not_valid");
  EXPECT_EQ(ReasonOf(Ask(*runs, Freeze("balcony"), "unknown", 1).status()), "analysis_not_found");
  EXPECT_EQ(ReasonOf(Ask(*runs, Freeze("balcony"), "absent-plugin", 1).status()),
            "plugin_not_available");
  EXPECT_EQ(ReasonOf(Ask(*runs, study, "well-behaved", 1).status()), "name_not_valid");
  v1::CreateRunRequest without_id;
  without_id.set_freeze(Freeze("balcony"));
  EXPECT_EQ(ReasonOf(runs->CreateRun(without_id).status()), "request_id_not_valid");
}

}  // namespace
}  // namespace plumule::analysis
