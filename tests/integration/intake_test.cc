// Records in, on the real server: one by one, in batches, in streams.

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <atomic>
#include <chrono>
#include <thread>

#include "absl/strings/str_cat.h"
#include "clients/cpp/error.h"
#include "clients/cpp/record_streamer.h"
#include "clients/cpp/uuid.h"
#include "tests/integration/running_server.h"
#include "tests/integration/sample_study.h"

namespace plumule::integration {
namespace {

using intake::v1::IntakeService;
using intake::v1::Receipt;
using intake::v1::Record;

class IntakeIntegrationTest : public testing::Test {
 protected:
  absl::StatusOr<Receipt> Send(const Record& record) {
    intake::v1::RecordRequest request;
    request.set_study(community_.study);
    *request.mutable_record() = record;
    const auto answer = intake_->Call(&IntakeService::Stub::Record, request);
    if (!answer.ok()) return answer.status();
    return answer->receipt();
  }

  absl::StatusOr<std::vector<Receipt>> SendBatch(const std::vector<Record>& records) {
    intake::v1::RecordBatchRequest request;
    request.set_study(community_.study);
    for (const Record& record : records) *request.add_records() = record;
    const auto answer = intake_->Call(&IntakeService::Stub::RecordBatch, request);
    if (!answer.ok()) return answer.status();
    return std::vector<Receipt>(answer->receipts().begin(), answer->receipts().end());
  }

  intake::v1::Progress Progress() {
    intake::v1::GetProgressRequest request;
    request.set_study(community_.study);
    const auto answer = organizer_->Call(&intake::v1::LogService::Stub::GetProgress, request);
    EXPECT_TRUE(answer.ok()) << answer.status();
    return answer.ok() ? answer->progress() : intake::v1::Progress();
  }

  TemporaryDirectory directory_;
  RunningServer server_{directory_.path()};
  SampleCommunity community_ = MakeCommunity(*server_.Connect(server_.operator_key()), "balcony");
  std::unique_ptr<client::Connection> intake_ = server_.Connect(community_.intake_key);
  std::unique_ptr<client::Connection> organizer_ = server_.Connect(community_.organizer_key);
};

TEST_F(IntakeIntegrationTest, AnswersARepeatedRecordWithItsFirstPlaceAndStoresItOnce) {
  const Record record = Joined("g1");
  const auto first = Send(record);
  ASSERT_TRUE(first.ok()) << client::Explain(first.status());
  EXPECT_EQ(first->judgement().outcome(), intake::v1::OUTCOME_TAKEN);
  EXPECT_FALSE(first->repeated());
  const auto second = Send(record);
  ASSERT_TRUE(second.ok());
  EXPECT_TRUE(second->repeated());
  EXPECT_EQ(second->log_sequence(), first->log_sequence());
  EXPECT_EQ(Progress().growers(), 1);
}

TEST_F(IntakeIntegrationTest, RefusesAnIdThatCameWithOtherContent) {
  Record record = Joined("g1");
  ASSERT_TRUE(Send(record).ok());
  record.set_grower("g2");
  const absl::Status reused = Send(record).status();
  EXPECT_TRUE(absl::IsAlreadyExists(reused));
  EXPECT_EQ(client::Reason(reused), "record_id_reused");
}

TEST_F(IntakeIntegrationTest, NamesEveryWrongFieldOfABatchAndTakesTheRest) {
  Record two_faults = Joined("g2");
  two_faults.mutable_joined()->set_consent_version("7");
  two_faults.mutable_joined()->mutable_values(0)->mutable_value()->set_country("Atlantis");
  Record no_country = Joined("g3");
  no_country.mutable_joined()->clear_values();
  const auto receipts = SendBatch({Joined("g1"), two_faults, no_country, Joined("g4")});
  ASSERT_TRUE(receipts.ok()) << client::Explain(receipts.status());
  ASSERT_EQ(receipts->size(), 4u);
  const auto fields = [&](std::size_t i) {
    std::vector<std::string> names;
    for (const auto& problem : receipts->at(i).judgement().problems()) {
      names.push_back(problem.field());
      EXPECT_FALSE(problem.reason().empty());
      EXPECT_FALSE(problem.message().empty());
      EXPECT_FALSE(problem.remedy().empty());
    }
    return names;
  };
  EXPECT_EQ(receipts->at(0).judgement().outcome(), intake::v1::OUTCOME_TAKEN);
  EXPECT_EQ(receipts->at(1).judgement().outcome(), intake::v1::OUTCOME_REFUSED);
  EXPECT_THAT(fields(1), testing::UnorderedElementsAre(testing::HasSubstr("consent_version"),
                                                       testing::HasSubstr("country")));
  EXPECT_THAT(fields(2), testing::ElementsAre(testing::HasSubstr("country")));
  EXPECT_EQ(receipts->at(3).judgement().outcome(), intake::v1::OUTCOME_TAKEN);
  EXPECT_EQ(Progress().growers(), 2);
  EXPECT_EQ(Progress().refused(), 2);
}

TEST_F(IntakeIntegrationTest, JudgesWhatCameTooEarlyOnceThePrerequisitesAreThere) {
  const Record look = Observed("b1", "u1", 20, 12);
  const auto early = SendBatch({look, UnitStarted("b1", "u1", "water", 30)});
  ASSERT_TRUE(early.ok()) << client::Explain(early.status());
  EXPECT_EQ(early->at(0).judgement().outcome(), intake::v1::OUTCOME_PENDING);
  EXPECT_EQ(early->at(1).judgement().outcome(), intake::v1::OUTCOME_PENDING);
  EXPECT_EQ(Progress().pending(), 2);

  intake::v1::ListPendingRequest list;
  list.set_study(community_.study);
  list.set_page_size(1);
  auto page = organizer_->Call(&intake::v1::LogService::Stub::ListPending, list);
  ASSERT_TRUE(page.ok()) << client::Explain(page.status());
  ASSERT_EQ(page->records_size(), 1);
  EXPECT_EQ(page->records(0).record().record_id(), look.record_id());
  list.set_page_token(page->next_page_token());
  page = organizer_->Call(&intake::v1::LogService::Stub::ListPending, list);
  ASSERT_TRUE(page.ok());
  ASSERT_EQ(page->records_size(), 1);

  ASSERT_TRUE(SendBatch({BlockStarted("g1", "b1"), Joined("g1")}).ok());
  const auto again = Send(look);
  ASSERT_TRUE(again.ok());
  EXPECT_TRUE(again->repeated());
  EXPECT_EQ(again->judgement().outcome(), intake::v1::OUTCOME_TAKEN);
  EXPECT_EQ(Progress().pending(), 0);
  EXPECT_EQ(Progress().observations(), 1);
}

TEST_F(IntakeIntegrationTest, TriesRecordsWithoutStoringThem) {
  intake::v1::TryRecordsRequest request;
  request.set_study(community_.study);
  *request.add_records() = Joined("g1");
  *request.add_records() = BlockStarted("g1", "b1");
  *request.add_records() = BlockStarted("stranger", "b2");
  const auto tried = intake_->Call(&IntakeService::Stub::TryRecords, request);
  ASSERT_TRUE(tried.ok()) << client::Explain(tried.status());
  ASSERT_EQ(tried->receipts_size(), 3);
  EXPECT_EQ(tried->receipts(1).judgement().outcome(), intake::v1::OUTCOME_TAKEN);
  EXPECT_EQ(tried->receipts(1).log_sequence(), 0);
  EXPECT_EQ(tried->receipts(2).judgement().outcome(), intake::v1::OUTCOME_PENDING);
  EXPECT_EQ(Progress().growers(), 0);
}

TEST_F(IntakeIntegrationTest, AnswersAStreamOfFiveThousandInTheOrderSent) {
  std::vector<std::string> sent, answered;
  std::vector<std::int64_t> sequences;
  client::RecordStreamer streamer(
      *intake_, community_.study, [&](const Record&, const Receipt& receipt) {
        answered.push_back(receipt.record_id());
        sequences.push_back(receipt.log_sequence());
        EXPECT_EQ(receipt.judgement().outcome(), intake::v1::OUTCOME_TAKEN);
      });
  for (int i = 0; i < 5000; ++i) {
    Record record = Joined(absl::StrCat("g", i));
    sent.push_back(record.record_id());
    ASSERT_TRUE(streamer.Send(std::move(record)).ok());
  }
  const absl::Status finished = streamer.Finish();
  ASSERT_TRUE(finished.ok()) << client::Explain(finished);
  EXPECT_EQ(answered, sent);
  EXPECT_TRUE(std::is_sorted(sequences.begin(), sequences.end()));
  EXPECT_EQ(Progress().growers(), 5000);

  // The log, far larger than a connection's window, is read to its end without a pause.
  grpc::ClientContext context;
  organizer_->Authorize(&context);
  context.set_deadline(std::chrono::system_clock::now() + std::chrono::seconds(20));
  intake::v1::ReadLogRequest request;
  request.set_study(community_.study);
  const auto reader = organizer_->Of<intake::v1::LogService::Stub>().ReadLog(&context, request);
  int entries = 0;
  intake::v1::ReadLogResponse entry;
  while (reader->Read(&entry)) ++entries;
  EXPECT_TRUE(reader->Finish().ok());
  EXPECT_EQ(entries, 5001);
}

// What is said of it takes some 3 KiB.
Record RefusedAtLength(int number) {
  Record record = Joined(absl::StrCat("g", number));
  for (int i = 0; i < 20; ++i) {
    auto* value = record.mutable_joined()->add_values();
    value->set_variable(absl::StrCat("not-in-the-protocol-", i));
    value->mutable_value()->set_yes_no(true);
  }
  return record;
}

// A client that does not read its receipts is held back; nothing is lost when it begins to.
TEST_F(IntakeIntegrationTest, HoldsBackAClientThatDoesNotReadReceipts) {
  constexpr int kRecords = 25'000;
  // At most 10,000 without a receipt, and what lies in the buffers of both ends.
  constexpr int kMostTaken = 15'000;
  grpc::ClientContext context;
  intake_->Authorize(&context);
  const auto stream = intake_->Of<IntakeService::Stub>().RecordStream(&context);
  std::vector<std::string> sent(kRecords);
  std::atomic<int> written = 0;
  std::thread writer([&] {
    intake::v1::RecordStreamRequest request;
    request.set_study(community_.study);
    EXPECT_TRUE(stream->Write(request));
    for (int i = 0; i < kRecords; ++i) {
      *request.mutable_record() = RefusedAtLength(i);
      sent[static_cast<std::size_t>(i)] = request.record().record_id();
      if (!stream->Write(request)) break;
      ++written;
    }
    stream->WritesDone();
  });
  EXPECT_TRUE(Eventually([&] { return Progress().refused() >= 5'000; }));
  EXPECT_FALSE(Eventually([&] { return Progress().refused() > kMostTaken; }, absl::Seconds(3)));
  EXPECT_LT(written, kRecords);
  std::vector<std::string> answered;
  intake::v1::RecordStreamResponse response;
  while (stream->Read(&response)) {
    for (const Receipt& receipt : response.receipts()) answered.push_back(receipt.record_id());
  }
  writer.join();
  const grpc::Status status = stream->Finish();
  EXPECT_TRUE(status.ok()) << status.error_message();
  EXPECT_EQ(written, kRecords);
  EXPECT_EQ(answered, sent);
}

TEST_F(IntakeIntegrationTest, EndsAStreamThatBeginsWithoutAStudy) {
  grpc::ClientContext context;
  intake_->Authorize(&context);
  const auto stream = intake_->Of<IntakeService::Stub>().RecordStream(&context);
  intake::v1::RecordStreamRequest request;
  *request.mutable_record() = Joined("g1");
  stream->Write(request);
  intake::v1::RecordStreamResponse response;
  EXPECT_FALSE(stream->Read(&response));
  EXPECT_EQ(client::Reason(client::FromGrpc(stream->Finish())), "stream_without_study");
}

TEST_F(IntakeIntegrationTest, GoesOnAfterAClientLeftInTheMiddle) {
  for (int round = 0; round < 20; ++round) {
    grpc::ClientContext context;
    intake_->Authorize(&context);
    const auto stream = intake_->Of<IntakeService::Stub>().RecordStream(&context);
    intake::v1::RecordStreamRequest request;
    request.set_study(community_.study);
    stream->Write(request);
    for (int i = 0; i < 200; ++i) {
      *request.mutable_record() = Joined(absl::StrCat("g", round, "-", i));
      stream->Write(request);
    }
    context.TryCancel();
    stream->Finish();
  }
  EXPECT_TRUE(Send(Joined("last")).ok());
}

TEST_F(IntakeIntegrationTest, KeepsToTheLimitsOfABatch) {
  std::vector<Record> records;
  for (int i = 0; i < 1000; ++i) records.push_back(Joined(absl::StrCat("g", i)));
  const auto full = SendBatch(records);
  ASSERT_TRUE(full.ok()) << client::Explain(full.status());
  EXPECT_EQ(full->size(), 1000u);
  records.push_back(Joined("one-more"));
  EXPECT_TRUE(absl::IsInvalidArgument(SendBatch(records).status()));
  EXPECT_TRUE(absl::IsInvalidArgument(SendBatch({}).status()));

  Record large = Joined("large");
  large.mutable_client()->set_program(std::string(5 << 20, 'x'));
  EXPECT_TRUE(absl::IsResourceExhausted(Send(large).status()));
}

TEST_F(IntakeIntegrationTest, ListsRefusedRecordsInPagesNewestFirst) {
  std::vector<std::string> refused;
  for (int i = 0; i < 5; ++i) {
    Record record = Joined(absl::StrCat("g", i));
    record.mutable_joined()->clear_values();
    refused.push_back(record.record_id());
    ASSERT_TRUE(Send(record).ok());
  }
  std::reverse(refused.begin(), refused.end());
  intake::v1::ListRefusedRequest list;
  list.set_study(community_.study);
  list.set_page_size(2);
  std::vector<std::string> listed;
  do {
    const auto page = organizer_->Call(&intake::v1::LogService::Stub::ListRefused, list);
    ASSERT_TRUE(page.ok()) << client::Explain(page.status());
    EXPECT_LE(page->records_size(), 2);
    for (const auto& record : page->records()) listed.push_back(record.record().record_id());
    list.set_page_token(page->next_page_token());
  } while (!list.page_token().empty());
  EXPECT_EQ(listed, refused);

  list.set_page_token("bm9uc2Vuc2U");
  EXPECT_EQ(
      client::Reason(organizer_->Call(&intake::v1::LogService::Stub::ListRefused, list).status()),
      "page_token_not_valid");
}

}  // namespace
}  // namespace plumule::integration
