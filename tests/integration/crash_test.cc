// The promise that matters most: what was acknowledged is there, once, whenever the server dies.

#include <gtest/gtest.h>

#include <atomic>
#include <map>
#include <thread>
#include <vector>

#include "absl/strings/str_cat.h"
#include "absl/synchronization/mutex.h"
#include "clients/cpp/error.h"
#include "clients/cpp/record_streamer.h"
#include "server/log/chain.h"
#include "tests/integration/running_server.h"
#include "tests/integration/sample_study.h"

namespace plumule::integration {
namespace {

using intake::v1::Receipt;
using intake::v1::Record;

constexpr int kKills = 12;
constexpr std::size_t kAnswersBetweenKills = 500;

// Receipts as clients saw them, kept outside the server.
class Ledger {
 public:
  // Counts a receipt; the same record must be told the same place each time.
  void Enter(const Receipt& receipt) {
    const absl::MutexLock lock(&mutex_);
    EXPECT_EQ(receipt.judgement().outcome(), intake::v1::OUTCOME_TAKEN)
        << receipt.ShortDebugString();
    const auto [place, is_new] = places_.emplace(receipt.record_id(), receipt.log_sequence());
    if (!is_new) {
      EXPECT_EQ(place->second, receipt.log_sequence());
    }
  }
  std::size_t size() const {
    const absl::MutexLock lock(&mutex_);
    return places_.size();
  }
  std::map<std::string, std::int64_t> places() const {
    const absl::MutexLock lock(&mutex_);
    return places_;
  }

 private:
  mutable absl::Mutex mutex_;
  std::map<std::string, std::int64_t> places_;
};

// Sends on one stream, and over again what has no receipt, until told to stop.
void StreamUntil(const std::atomic<bool>& stop, client::Connection& server,
                 const std::string& study, const std::string& name, Ledger& ledger) {
  client::RecordStreamer streamer(
      server, study, [&](const Record&, const Receipt& receipt) { ledger.Enter(receipt); },
      /*window=*/500);
  absl::Status status;
  for (int i = 0; status.ok() && !stop; ++i) {
    status = streamer.Send(Joined(absl::StrCat(name, "-", i)));
  }
  if (status.ok()) status = streamer.Finish();
  EXPECT_TRUE(status.ok()) << client::Explain(status);
}

// The same one by one.
void CallUntil(const std::atomic<bool>& stop, client::Connection& server, const std::string& study,
               const std::string& name, Ledger& ledger) {
  for (int i = 0; !stop; ++i) {
    intake::v1::RecordRequest request;
    request.set_study(study);
    *request.mutable_record() = Joined(absl::StrCat(name, "-", i));
    const auto answer = server.Call(&intake::v1::IntakeService::Stub::Record, request);
    ASSERT_TRUE(answer.ok()) << client::Explain(answer.status());
    ledger.Enter(answer->receipt());
  }
}

// Every entry of the log by record id; the chain is checked on the way.
std::map<std::string, std::int64_t> ReadLog(client::Connection& server, const std::string& study) {
  grpc::ClientContext context;
  server.Authorize(&context);
  intake::v1::ReadLogRequest request;
  request.set_study(study);
  const auto reader = server.Of<intake::v1::LogService::Stub>().ReadLog(&context, request);
  std::map<std::string, std::int64_t> places;
  log::ChainVerifier chain;
  intake::v1::ReadLogResponse message;
  while (reader->Read(&message)) {
    const absl::Status linked = chain.Add(message.entry(), message.hash());
    EXPECT_TRUE(linked.ok()) << linked;
    intake::v1::LogEntry entry;
    EXPECT_TRUE(entry.ParseFromString(message.entry()));
    EXPECT_TRUE(places.emplace(entry.record().record_id(), entry.sequence()).second)
        << "a record is in the log twice";
  }
  EXPECT_TRUE(reader->Finish().ok());
  return places;
}

TEST(Crash, LosesAndDoublesNothingThatWasAcknowledged) {
  const TemporaryDirectory directory;
  auto server = std::make_unique<RunningServer>(directory.path());
  const int port = server->port();
  const SampleCommunity community =
      MakeCommunity(*server->Connect(server->operator_key()), "balcony");
  Ledger ledger;
  std::atomic<bool> stop = false;
  std::vector<std::unique_ptr<client::Connection>> connections;
  for (int i = 0; i < 4; ++i) connections.push_back(server->Connect(community.intake_key));
  std::vector<std::thread> clients;
  clients.emplace_back([&] { StreamUntil(stop, *connections[0], community.study, "a", ledger); });
  clients.emplace_back([&] { StreamUntil(stop, *connections[1], community.study, "b", ledger); });
  clients.emplace_back([&] { CallUntil(stop, *connections[2], community.study, "c", ledger); });
  clients.emplace_back([&] { CallUntil(stop, *connections[3], community.study, "d", ledger); });

  for (int kill = 0; kill < kKills; ++kill) {
    const std::size_t before = ledger.size();
    // Not always at the same point of a batch.
    const std::size_t wanted = before + kAnswersBetweenKills + static_cast<std::size_t>(kill) * 37;
    EXPECT_TRUE(Eventually([&] { return ledger.size() >= wanted; }))
        << "only " << ledger.size() - before << " answers since the last kill";
    server->Kill();
    server = std::make_unique<RunningServer>(directory.path(), port);
  }
  stop = true;
  for (std::thread& client : clients) client.join();

  const auto stored = ReadLog(*server->Connect(community.researcher_key), community.study);
  const auto acknowledged = ledger.places();
  EXPECT_GE(acknowledged.size(), kKills * kAnswersBetweenKills);
  for (const auto& [record, sequence] : acknowledged) {
    const auto found = stored.find(record);
    ASSERT_NE(found, stored.end())
        << record << " was acknowledged at " << sequence << " and is lost";
    EXPECT_EQ(found->second, sequence);
  }
  // Every client waited for all its answers at the end, so nothing else is there but the protocol.
  EXPECT_EQ(stored.size(), acknowledged.size() + 1);
  RecordProperty("acknowledged", static_cast<int>(acknowledged.size()));

  EXPECT_EQ(server->Terminate(), 0);
  const Ending verified = RunServerProgram({"--data", directory.path(), "--verify"});
  EXPECT_EQ(verified.status, 0) << verified.out << verified.err;
}

}  // namespace
}  // namespace plumule::integration
