// What was acknowledged is there after the disk failed or the process ended.
#include <gtest/gtest.h>

#include <filesystem>
#include <future>

#include "absl/strings/str_cat.h"
#include "server/log/log_reader.h"
#include "server/log/study_reader.h"
#include "server/protocol/reason.h"
#include "server/store/rocksdb/rocksdb_store.h"
#include "tests/unit/intake/open_study.h"
#include "tests/unit/store/faulty_file_system.h"
#include "tests/unit/store/scratch_directory.h"

namespace plumule::intake {
namespace {

using store::FaultyFileSystem;
using Fault = store::FaultyFileSystem::Fault;

const store::StudyName kStudy{"windowsill", "rooting"};

absl::Time Today() {
  return absl::FromCivil(absl::CivilSecond(2027, 4, 15, 12, 0, 0), absl::UTCTimeZone());
}

// A server's store and intake on a directory; ended and begun again at will.
class Server {
 public:
  Server(const std::string& directory, rocksdb::Env* env)
      : store_(store::OpenRocksDbStore(directory, {.env = env}).value()),
        intake_(*store_, Today),
        life_(*store_, intake_, Today) {}

  void Begin() {
    ASSERT_TRUE(life_.Create(kStudy, kOrganizer).ok());
    ASSERT_TRUE(life_.Publish(kStudy, OpenStudy::Definition(), RequestId(1), "", kOrganizer).ok());
  }
  Answers Send(std::vector<v1::Record> records) {
    std::promise<Answers> promise;
    intake_.Submit(kStudy, std::move(records), kGrowers,
                   [&](Answers answers) { promise.set_value(std::move(answers)); });
    return promise.get_future().get();
  }
  store::Store& store() { return *store_; }
  Intake& intake() { return intake_; }

 private:
  std::unique_ptr<store::Store> store_;
  Intake intake_;
  StudyLife life_;
};

class FailingDisk : public testing::TestWithParam<std::tuple<Fault, int>> {};

INSTANTIATE_TEST_SUITE_P(Faults, FailingDisk,
                         testing::Combine(testing::Values(Fault::kAppend, Fault::kSync,
                                                          Fault::kNoSpace),
                                          testing::Values(0, 1, 2, 3, 7)));

TEST_P(FailingDisk, LosesNothingAcknowledgedAndARetryAddsNothingTwice) {
  const auto [fault, after] = GetParam();
  store::ScratchDirectory scratch;
  const auto file_system = std::make_shared<FaultyFileSystem>();
  const std::unique_ptr<rocksdb::Env> env = rocksdb::NewCompositeEnv(file_system);
  RecordMaker make;
  std::vector<v1::Record> records;
  for (int i = 0; i < 12; ++i) records.push_back(make.Joined(absl::StrCat("g", i)));
  std::size_t acknowledged = 0;
  {
    Server server(scratch.path(), env.get());
    server.Begin();
    file_system->FailAfter(fault, after);
    for (const v1::Record& record : records) {
      const Answers answers = server.Send({record});
      if (answers.ok()) {
        ++acknowledged;
        continue;
      }
      EXPECT_EQ(answers.status().code(), absl::StatusCode::kUnavailable);
      EXPECT_EQ(ReasonOf(answers.status()), "outcome_unknown");
    }
    EXPECT_TRUE(server.intake().stopped());
    ASSERT_LT(acknowledged, records.size());
    file_system->FailAfter(Fault::kNone, 0);
    EXPECT_EQ(ReasonOf(server.Send({records[0]}).status()), "outcome_unknown");
  }
  Server server(scratch.path(), env.get());
  const Answers again = server.Send(records);
  ASSERT_TRUE(again.ok()) << again.status();
  for (std::size_t i = 0; i < records.size(); ++i) {
    EXPECT_EQ((*again)[i].receipt.judgement().outcome(), v1::OUTCOME_TAKEN);
    if (i < acknowledged) {
      EXPECT_TRUE((*again)[i].receipt.repeated());
    }
  }
  EXPECT_EQ(log::ReadProgress(server.store(), kStudy)->growers(), 12);
  EXPECT_TRUE(log::Verify(server.store(), kStudy).ok());
  store::MemoryStore fresh;
  const absl::Status rebuilt = log::RebuildState(server.store(), kStudy, fresh);
  EXPECT_TRUE(rebuilt.ok()) << rebuilt;
}

TEST(Crash, ACopyOfTheFilesTakenBetweenAnswersHoldsAllOfThem) {
  store::ScratchDirectory scratch;
  RecordMaker make;
  Server server(scratch.path("live"), nullptr);
  server.Begin();
  for (int i = 0; i < 20; ++i) {
    ASSERT_TRUE(server.Send({make.Joined(absl::StrCat("g", i))}).ok());
    if (i % 5 != 4) continue;
    std::filesystem::remove_all(scratch.path("copy"));
    std::filesystem::copy(scratch.path("live"), scratch.path("copy"));
    const auto copy = store::OpenRocksDbStore(scratch.path("copy"));
    ASSERT_TRUE(copy.ok()) << copy.status();
    EXPECT_EQ(log::ReadProgress(**copy, kStudy)->growers(), i + 1);
    EXPECT_EQ(log::Verify(**copy, kStudy)->sequence, i + 2);
  }
}

TEST(Restart, GoesOnWithTheChainWhereItEnded) {
  store::ScratchDirectory scratch;
  RecordMaker make;
  {
    Server server(scratch.path(), nullptr);
    server.Begin();
    ASSERT_TRUE(server.Send({make.Joined("g")}).ok());
  }
  Server server(scratch.path(), nullptr);
  EXPECT_EQ(server.Send({make.Joined("h")})->front().receipt.log_sequence(), 3);
  EXPECT_EQ(log::Verify(server.store(), kStudy)->sequence, 3);
}

}  // namespace
}  // namespace plumule::intake
