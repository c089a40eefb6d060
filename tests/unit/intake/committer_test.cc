// Queueing, order, failure and shutdown.
#include <gtest/gtest.h>

#include <algorithm>
#include <future>
#include <numeric>
#include <thread>

#include "absl/strings/str_cat.h"
#include "absl/synchronization/mutex.h"
#include "absl/synchronization/notification.h"
#include "server/log/log_reader.h"
#include "server/log/study_reader.h"
#include "server/protocol/reason.h"
#include "server/store/keys.h"
#include "tests/unit/intake/open_study.h"

namespace plumule::intake {
namespace {

// Holds the committer's thread in an answer until released.
class HeldCommitter {
 public:
  explicit HeldCommitter(OpenStudy& study) {
    study.intake().Submit(study.name(), {study.make.Joined("holder")}, kGrowers, [this](Answers) {
      held_.Notify();
      released_.WaitForNotification();
    });
    held_.WaitForNotification();
  }
  void Release() { released_.Notify(); }

 private:
  absl::Notification held_, released_;
};

TEST(Committer, AnswersInTheOrderInWhichRecordsWereQueued) {
  OpenStudy study;
  std::vector<int> order;
  absl::Notification all;
  for (int i = 0; i < 200; ++i) {
    study.intake().Submit(study.name(), {study.make.Joined(absl::StrCat("g", i))}, kGrowers,
                          [&, i](const Answers&) {
                            order.push_back(i);
                            if (i == 199) all.Notify();
                          });
  }
  all.WaitForNotification();
  std::vector<int> expected(200);
  std::iota(expected.begin(), expected.end(), 0);
  EXPECT_EQ(order, expected);
}

TEST(Committer, ManySendersShareBatchesAndEveryRecordIsThereOnce) {
  OpenStudy study;
  std::vector<std::vector<v1::Record>> shares(8);
  for (int i = 0; i < 400; ++i) {
    shares[static_cast<std::size_t>(i % 8)].push_back(
        study.make.Joined(absl::StrCat("g", i / 2 * 2 + i % 2)));
  }
  std::vector<std::thread> senders;
  for (const auto& share : shares) {
    senders.emplace_back([&study, &share] {
      for (const v1::Record& record : share) {
        EXPECT_EQ(study.Judge(record).outcome(), v1::OUTCOME_TAKEN);
      }
    });
  }
  for (std::thread& sender : senders) sender.join();
  EXPECT_EQ(log::ReadProgress(study.store(), study.name())->growers(), 400);
  study.ExpectSound();
}

TEST(Committer, AFullQueueIsSaidAtOnceWithATimeToWait) {
  OpenStudy study(OpenStudy::Definition(), {.queued_records = 3});
  HeldCommitter held(study);
  std::vector<std::future<Answers>> queued;
  const auto submit = [&](int records) {
    std::vector<v1::Record> sent;
    for (int i = 0; i < records; ++i) {
      sent.push_back(study.make.Joined(absl::StrCat("g", queued.size(), "-", i)));
    }
    auto promise = std::make_shared<std::promise<Answers>>();
    queued.push_back(promise->get_future());
    study.intake().Submit(study.name(), std::move(sent), kGrowers,
                          [promise](Answers answers) { promise->set_value(std::move(answers)); });
  };
  submit(2);
  submit(2);
  ASSERT_EQ(queued[1].wait_for(std::chrono::seconds(0)), std::future_status::ready);
  const absl::Status full = queued[1].get().status();
  EXPECT_EQ(full.code(), absl::StatusCode::kResourceExhausted);
  EXPECT_EQ(ReasonOf(full), "intake_queue_full");
  EXPECT_TRUE(DetailsOf(full)->retry_after.has_value());
  submit(1);
  held.Release();
  EXPECT_TRUE(queued[0].get().ok());
  EXPECT_TRUE(queued[2].get().ok());
}

TEST(Committer, RefusesBatchesThatAreEmptyOrTooLarge) {
  OpenStudy study;
  const auto reason = [&](std::size_t records) {
    std::promise<Answers> promise;
    std::vector<v1::Record> sent;
    for (std::size_t i = 0; i < records; ++i) sent.push_back(study.make.Joined("g"));
    study.intake().Submit(study.name(), std::move(sent), kGrowers,
                          [&](Answers answers) { promise.set_value(std::move(answers)); });
    return ReasonOf(promise.get_future().get().status());
  };
  EXPECT_EQ(reason(0), "batch_size");
  EXPECT_EQ(reason(kMostRecords), "");
  EXPECT_EQ(reason(kMostRecords + 1), "batch_size");
}

TEST(Committer, ShutdownAnswersWhatIsQueuedAndTakesNoMore) {
  OpenStudy study;
  std::atomic<int> taken = 0;
  {
    HeldCommitter held(study);
    for (int i = 0; i < 50; ++i) {
      study.intake().Submit(study.name(), {study.make.Joined(absl::StrCat("g", i))}, kGrowers,
                            [&](const Answers& answers) { taken += answers.ok() ? 1 : 0; });
    }
    held.Release();
    study.intake().Shutdown();
  }
  EXPECT_EQ(taken, 50);
  absl::Status status;
  study.intake().Submit(study.name(), {study.make.Joined("late")}, kGrowers,
                        [&](Answers answers) { status = answers.status(); });
  EXPECT_EQ(ReasonOf(status), "shutting_down");
}

TEST(Committer, AFailedWriteStopsIntakeAndEveryAnswerSaysThatTheOutcomeIsUnknown) {
  OpenStudy study;
  const v1::Record joined = study.make.Joined("g");
  HeldCommitter held(study);
  std::promise<Answers> first, second;
  study.intake().Submit(study.name(), {joined}, kGrowers,
                        [&](Answers answers) { first.set_value(std::move(answers)); });
  study.store().LoseTrust();
  held.Release();
  const absl::Status failed = first.get_future().get().status();
  EXPECT_EQ(failed.code(), absl::StatusCode::kUnavailable);
  EXPECT_EQ(ReasonOf(failed), "outcome_unknown");
  EXPECT_TRUE(study.intake().stopped());
  study.intake().Submit(study.name(), {joined}, kGrowers,
                        [&](Answers answers) { second.set_value(std::move(answers)); });
  EXPECT_EQ(ReasonOf(second.get_future().get().status()), "outcome_unknown");
}

TEST(Committer, ADamagedStudyIsNamedAndDoesNotHarmTheOthers) {
  OpenStudy study;
  study.StartPair();
  const store::StudyName other{"windowsill", "second"};
  ASSERT_TRUE(study.life().Create(other, kOrganizer).ok());
  ASSERT_TRUE(
      study.life().Publish(other, OpenStudy::Definition(), RequestId(2), "", kOrganizer).ok());
  // A new intake opens the studies anew.
  store::WriteBatch damage;
  damage.Delete(store::LogEntryKey(study.name(), 5));
  ASSERT_TRUE(study.store().Commit(damage, {}, store::Durability::kSynced).ok());
  Intake intake(study.store(), study.Clock());
  const auto send = [&](const store::StudyName& name, const std::string& grower) {
    std::promise<Answers> promise;
    intake.Submit(name, {study.make.Joined(grower)}, kGrowers,
                  [&](Answers answers) { promise.set_value(std::move(answers)); });
    return promise.get_future().get().status();
  };
  for (int i = 0; i < 2; ++i) {
    const absl::Status status = send(study.name(), absl::StrCat("g", i));
    EXPECT_EQ(status.code(), absl::StatusCode::kDataLoss);
    EXPECT_NE(status.message().find("entry 5 of the log of communities/windowsill"),
              absl::string_view::npos)
        << status;
    EXPECT_TRUE(send(other, absl::StrCat("g", i)).ok());
  }
}

TEST(Following, TellsTheNewHeadAfterEachBatchUntilItEnds) {
  OpenStudy study;
  std::atomic<std::int64_t> head = 0;
  auto follower = study.intake().Follow(study.name(), [&](std::int64_t at) { head = at; });
  study.Take({study.make.Joined("g")});
  EXPECT_EQ(head, 2);
  study.Take({study.make.Joined("h"), study.make.Joined("i")});
  EXPECT_EQ(head, 4);
  follower.reset();
  study.Take({study.make.Joined("j")});
  EXPECT_EQ(head, 4);
}

TEST(Trying, JudgesLikeSendingAndStoresNothing) {
  OpenStudy study;
  std::vector<v1::Record> records = {
      study.make.Joined("g"), study.make.BlockStarted("g", "b"),
      study.make.UnitStarted("b", "c", "control", "2027-03-10"),
      study.make.Observed("b", "c", "2027-03-25", {Number("shoot", 1, "mm")}),
      study.make.Observed("b", "c", "2027-03-25", {Number("shoot", 1, "kg")})};
  const log::Head before = *log::ReadHead(study.store(), study.name());
  const Answers tried = study.intake().Try(study.name(), records, kGrowers);
  ASSERT_TRUE(tried.ok());
  EXPECT_EQ(*log::ReadHead(study.store(), study.name()), before);
  EXPECT_TRUE(log::ListRefused(study.store(), study.name(), 10, "")->items.empty());
  const std::vector<Answer> sent = study.Send(records);
  for (std::size_t i = 0; i < records.size(); ++i) {
    EXPECT_EQ((*tried)[i].receipt.judgement().SerializeAsString(),
              sent[i].receipt.judgement().SerializeAsString());
    EXPECT_EQ((*tried)[i].receipt.log_sequence(), 0);
  }
}

}  // namespace
}  // namespace plumule::intake
