// The program itself: flags, start, stop, locks, health, and what it says of damage.

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>

#include <filesystem>
#include <fstream>
#include <thread>

#include "absl/strings/str_cat.h"
#include "clients/cpp/error.h"
#include "clients/cpp/record_streamer.h"
#include "tests/integration/generic_call.h"
#include "tests/integration/running_server.h"
#include "tests/integration/sample_study.h"

namespace plumule::integration {
namespace {

using intake::v1::Receipt;
using intake::v1::Record;
using testing::HasSubstr;

TEST(ServerProgram, ShowsTheOperatorsKeyAtTheFirstStartOnly) {
  const TemporaryDirectory directory;
  {
    const RunningServer first(directory.path());
    EXPECT_EQ(first.operator_key().size(), 56u);
  }
  const RunningServer second(directory.path());
  EXPECT_EQ(second.greeting(), "");
}

TEST(ServerProgram, WritesTheOperatorsKeyToAFileOfItsOwnerIfAsked) {
  const TemporaryDirectory directory;
  const std::string path = directory.path() + "/operator.key";
  const Ending refused = RunServerProgram({"--data", directory.path() + "/data", "--listen",
                                           "127.0.0.1:99999", "--operator-key-file", path});
  EXPECT_EQ(refused.status, 2);
  EXPECT_FALSE(std::filesystem::exists(path)) << "nothing is made when the flags are wrong";
  std::ofstream(path) << "something else";
  const Ending kept = RunServerProgram({"--data", directory.path() + "/data", "--listen",
                                        "127.0.0.1:0", "--operator-key-file", path});
  EXPECT_EQ(kept.status, 3);
  EXPECT_THAT(kept.err, HasSubstr("not overwritten"));
}

TEST(ServerProgram, RefusesToBeExposedAndSaysWhy) {
  const TemporaryDirectory directory;
  const Ending ending = RunServerProgram({"--data", directory.path(), "--listen", "0.0.0.0:0"});
  EXPECT_EQ(ending.status, 2);
  EXPECT_THAT(ending.err, HasSubstr("--allow-exposed"));
  EXPECT_THAT(ending.err, HasSubstr("CVE-2023-44487"));
}

TEST(ServerProgram, SaysThatAnotherServerHasTheDataDirectory) {
  const TemporaryDirectory directory;
  const RunningServer server(directory.path());
  const Ending second = RunServerProgram({"--data", directory.path(), "--listen", "127.0.0.1:0"});
  EXPECT_EQ(second.status, 3);
  EXPECT_THAT(second.err, HasSubstr(directory.path()));
  EXPECT_EQ(second.out, "");
}

TEST(ServerProgram, SaysThatItsAddressIsTaken) {
  const TemporaryDirectory directory, other;
  const RunningServer server(directory.path());
  const Ending second = RunServerProgram({"--data", other.path(), "--listen", server.address()});
  EXPECT_EQ(second.status, 3);
  EXPECT_THAT(second.err, HasSubstr("in use"));
}

TEST(ServerProgram, IsHealthyWhileItServes) {
  const TemporaryDirectory directory;
  const RunningServer server(directory.path());
  const GenericAnswer answer =
      CallByName(server.address(), "grpc.health.v1.Health/Check", std::nullopt, "");
  ASSERT_EQ(answer.messages.size(), 1u) << answer.status.error_message();
  // HealthCheckResponse{status: SERVING}.
  EXPECT_EQ(answer.messages[0], std::string("\x08\x01", 2));
}

TEST(ServerProgram, EndsStreamsAndItselfWellWhenAskedToStop) {
  const TemporaryDirectory directory;
  RunningServer server(directory.path());
  const SampleCommunity community =
      MakeCommunity(*server.Connect(server.operator_key()), "balcony");
  client::ConnectionOptions options;
  options.address = server.address();
  options.key = community.intake_key;
  options.back_off.attempts = 1;
  client::Connection intake(options);
  std::vector<std::string> acknowledged;
  std::atomic<int> count = 0;
  absl::Status ended;
  std::thread sender([&] {
    client::RecordStreamer streamer(intake, community.study,
                                    [&](const Record&, const Receipt& receipt) {
                                      acknowledged.push_back(receipt.record_id());
                                      ++count;
                                    });
    for (int i = 0; ended.ok(); ++i) ended = streamer.Send(Joined(absl::StrCat("g", i)));
  });
  // A reader that follows the log, and one call that waits, must not hold the server up either.
  const auto researcher = server.Connect(community.researcher_key);
  grpc::ClientContext context;
  researcher->Authorize(&context);
  intake::v1::ReadLogRequest follow;
  follow.set_study(community.study);
  follow.set_follow(true);
  const auto reader = researcher->Of<intake::v1::LogService::Stub>().ReadLog(&context, follow);
  std::thread follower([&] {
    intake::v1::ReadLogResponse entry;
    while (reader->Read(&entry)) {
    }
  });
  EXPECT_TRUE(Eventually([&] { return count > 1000; }));
  const absl::Time asked = absl::Now();
  EXPECT_EQ(server.Terminate(absl::Seconds(20)), 0);
  EXPECT_LT(absl::Now() - asked, absl::Seconds(10))
      << "streams that go on must not use up the bound";
  sender.join();
  follower.join();
  EXPECT_TRUE(absl::IsUnavailable(ended)) << ended;
  EXPECT_EQ(client::Reason(client::FromGrpc(reader->Finish())), "server_stopping");

  const Ending verified = RunServerProgram({"--data", directory.path(), "--verify"});
  EXPECT_EQ(verified.status, 0) << verified.out << verified.err;
  RunningServer again(directory.path());
  intake::v1::GetProgressRequest ask;
  ask.set_study(community.study);
  const auto progress =
      again.Connect(community.organizer_key)->Call(&intake::v1::LogService::Stub::GetProgress, ask);
  ASSERT_TRUE(progress.ok());
  EXPECT_GE(progress->progress().growers(), static_cast<std::int64_t>(acknowledged.size()));
}

TEST(ServerProgram, VerifiesAStoreAndNoticesOneFlippedBit) {
  const TemporaryDirectory directory;
  {
    RunningServer server(directory.path());
    const SampleCommunity community =
        MakeCommunity(*server.Connect(server.operator_key()), "balcony");
    intake::v1::RecordBatchRequest request;
    request.set_study(community.study);
    for (int i = 0; i < 200; ++i) *request.add_records() = Joined(absl::StrCat("g", i));
    ASSERT_TRUE(server.Connect(community.intake_key)
                    ->Call(&intake::v1::IntakeService::Stub::RecordBatch, request)
                    .ok());
    EXPECT_EQ(server.Terminate(), 0);
  }
  const Ending sound = RunServerProgram({"--data", directory.path(), "--verify"});
  EXPECT_EQ(sound.status, 0) << sound.out << sound.err;
  EXPECT_THAT(sound.out, HasSubstr("sound    communities/balcony/studies/basil: 201 entries"));

  // The largest file holds the records, in the write-ahead log or in a table.
  std::filesystem::path largest;
  for (const auto& file : std::filesystem::recursive_directory_iterator(directory.path())) {
    const std::string extension = file.path().extension();
    if (extension != ".log" && extension != ".sst") continue;
    if (largest.empty() || file.file_size() > std::filesystem::file_size(largest)) {
      largest = file.path();
    }
  }
  ASSERT_FALSE(largest.empty());
  std::fstream bytes(largest, std::ios::in | std::ios::out | std::ios::binary);
  const auto middle = static_cast<std::streamoff>(std::filesystem::file_size(largest) / 2);
  bytes.seekg(middle);
  const char byte = static_cast<char>(bytes.get() ^ 1);
  bytes.seekp(middle);
  bytes.put(byte);
  bytes.close();
  const Ending damaged = RunServerProgram({"--data", directory.path(), "--verify"});
  EXPECT_EQ(damaged.status, 1) << damaged.out << damaged.err;
}

TEST(ServerProgram, VerifiesNoDirectoryThatIsNotThere) {
  const TemporaryDirectory directory;
  const Ending ending = RunServerProgram({"--data", directory.path() + "/none", "--verify"});
  EXPECT_EQ(ending.status, 2);
  EXPECT_FALSE(std::filesystem::exists(directory.path() + "/none"));
}

}  // namespace
}  // namespace plumule::integration
