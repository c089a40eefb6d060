// The life of a study, from nothing to a finding, on the real server with the real plugins.

#include <gtest/gtest.h>

#include <thread>

#include "absl/strings/str_cat.h"
#include "clients/cpp/error.h"
#include "clients/cpp/uuid.h"
#include "server/log/chain.h"
#include "tests/integration/running_server.h"
#include "tests/integration/sample_study.h"

namespace plumule::integration {
namespace {

using analysis::v1::AnalysisService;
using intake::v1::LogService;
using study::v1::StudyService;

// What was asked, or a failed test with the server's words.
template <class Response>
Response Good(const absl::StatusOr<Response>& answer) {
  EXPECT_TRUE(answer.ok()) << client::Explain(answer.status());
  return answer.ok() ? *answer : Response();
}

class StudyIntegrationTest : public testing::Test {
 protected:
  StudyIntegrationTest() { Restart(0); }

  void Restart(int port) {
    server_ = std::make_unique<RunningServer>(directory_.path(), port);
    if (community_.name.empty()) {
      community_ = MakeCommunity(*server_->Connect(server_->operator_key()), "balcony");
    }
    organizer_ = server_->Connect(community_.organizer_key);
    researcher_ = server_->Connect(community_.researcher_key);
  }

  // Twelve growers with a pair each: shoots in mix are long enough after 9 to 20 days, those in
  // water 6 days later; one cutting rots.
  void SendRecords() {
    intake::v1::RecordBatchRequest request;
    request.set_study(community_.study);
    for (int g = 0; g < 12; ++g) {
      const std::string grower = absl::StrCat("g", g), block = absl::StrCat("b", g);
      *request.add_records() = Joined(grower);
      *request.add_records() = BlockStarted(grower, block);
      for (const std::string arm : {"water", "mix"}) {
        *request.add_records() = UnitStarted(block, arm, arm, 40);
        const int days = 9 + g + (arm == "water" ? 6 : 0);
        for (int day = 3; day <= 30; day += 3) {
          if (g == 11 && arm == "water" && day > 12) break;
          *request.add_records() = Observed(block, arm, 40 - day, day >= days ? 60 : 20);
        }
        if (g == 11 && arm == "water") *request.add_records() = Lost(block, arm, 25, "rotted");
      }
    }
    const auto answer = Good(server_->Connect(community_.intake_key)
                                 ->Call(&intake::v1::IntakeService::Stub::RecordBatch, request));
    for (const auto& receipt : answer.receipts()) {
      EXPECT_EQ(receipt.judgement().outcome(), intake::v1::OUTCOME_TAKEN)
          << receipt.ShortDebugString();
    }
  }

  study::v1::Study GetStudy() {
    study::v1::GetStudyRequest request;
    request.set_name(community_.study);
    return Good(organizer_->Call(&StudyService::Stub::GetStudy, request)).study();
  }

  study::v1::Study Close(const std::string& request_id) {
    study::v1::CloseStudyRequest request;
    request.set_name(community_.study);
    request.set_request_id(request_id);
    request.set_reason("all are done");
    return Good(organizer_->Call(&StudyService::Stub::CloseStudy, request)).study();
  }

  study::v1::Freeze Freeze() {
    study::v1::FreezeStudyRequest request;
    request.set_name(community_.study);
    request.set_request_id(client::NewUuid());
    return Good(organizer_->Call(&StudyService::Stub::FreezeStudy, request)).freeze();
  }

  std::vector<intake::v1::ReadLogResponse> ReadLog(std::int64_t from = 0) {
    grpc::ClientContext context;
    researcher_->Authorize(&context);
    intake::v1::ReadLogRequest request;
    request.set_study(community_.study);
    request.set_from_sequence(from);
    const auto reader = researcher_->Of<LogService::Stub>().ReadLog(&context, request);
    std::vector<intake::v1::ReadLogResponse> entries;
    intake::v1::ReadLogResponse entry;
    while (reader->Read(&entry)) entries.push_back(entry);
    const grpc::Status status = reader->Finish();
    EXPECT_TRUE(status.ok()) << status.error_message();
    return entries;
  }

  // Rows in the schema and rows in the chunks of one table.
  std::pair<std::int64_t, std::int64_t> ReadTable(const std::string& freeze,
                                                  analysis::v1::DatasetTable table) {
    grpc::ClientContext context;
    researcher_->Authorize(&context);
    analysis::v1::ReadDatasetRequest request;
    request.set_freeze(freeze);
    request.set_table(table);
    const auto reader = researcher_->Of<AnalysisService::Stub>().ReadDataset(&context, request);
    std::int64_t stated = -1, rows = 0;
    analysis::v1::ReadDatasetResponse message;
    while (reader->Read(&message)) {
      if (message.has_schema()) stated = message.schema().rows();
      rows += message.chunk().rows();
    }
    const grpc::Status status = reader->Finish();
    EXPECT_TRUE(status.ok()) << status.error_message();
    return {stated, rows};
  }

  analysis::v1::Run RunAnalysis(const std::string& freeze) {
    analysis::v1::CreateRunRequest request;
    request.set_freeze(freeze);
    request.set_analysis("how_soon");
    request.set_request_id(client::NewUuid());
    analysis::v1::GetRunRequest wait;
    wait.set_name(Good(researcher_->Call(&AnalysisService::Stub::CreateRun, request)).run().name());
    wait.set_wait_seconds(50);
    return Good(researcher_->Call(&AnalysisService::Stub::GetRun, wait)).run();
  }

  TemporaryDirectory directory_;
  SampleCommunity community_;
  std::unique_ptr<RunningServer> server_;
  std::unique_ptr<client::Connection> organizer_, researcher_;
};

TEST_F(StudyIntegrationTest, GoesFromOpeningToAFindingAndIsTheSameAfterARestart) {
  EXPECT_EQ(GetStudy().state(), study::v1::STUDY_STATE_OPEN);
  SendRecords();
  intake::v1::GetProgressRequest ask;
  ask.set_study(community_.study);
  const auto progress = Good(organizer_->Call(&LogService::Stub::GetProgress, ask)).progress();
  EXPECT_EQ(progress.growers(), 12);
  EXPECT_EQ(progress.units(), 24);

  const std::string close_id = client::NewUuid();
  EXPECT_EQ(Close(close_id).state(), study::v1::STUDY_STATE_CLOSED);
  EXPECT_EQ(Close(close_id).state(), study::v1::STUDY_STATE_CLOSED) << "the same request again";
  const study::v1::Freeze freeze = Freeze();
  EXPECT_EQ(freeze.units(), 24);
  EXPECT_EQ(freeze.blocks(), 12);
  EXPECT_EQ(freeze.dataset_digest().size(), 64u);

  EXPECT_EQ(ReadTable(freeze.name(), analysis::v1::DATASET_TABLE_UNITS), std::pair(24L, 24L));
  const auto looks = ReadTable(freeze.name(), analysis::v1::DATASET_TABLE_LOOKS);
  EXPECT_EQ(looks, std::pair(234L, 234L));

  const analysis::v1::Run run = RunAnalysis(freeze.name());
  ASSERT_EQ(run.state(), analysis::v1::RUN_STATE_SUCCEEDED) << run.message();
  EXPECT_FALSE(run.cached());
  const analysis::v1::Run second = RunAnalysis(freeze.name());
  EXPECT_TRUE(second.cached());
  EXPECT_EQ(second.result(), run.result());
  analysis::v1::GetResultRequest get;
  get.set_name(run.result());
  const auto result = Good(researcher_->Call(&AnalysisService::Stub::GetResult, get)).result();
  EXPECT_EQ(result.result().status(), analysis::v1::RESULT_STATUS_ANSWERED);
  EXPECT_GT(result.result().findings_size(), 0);
  EXPECT_EQ(result.provenance().dataset_digest(), freeze.dataset_digest());

  const study::v1::Study before = GetStudy();
  const auto log_before = ReadLog();
  const int port = server_->port();
  EXPECT_EQ(server_->Terminate(), 0);
  Restart(port);
  EXPECT_EQ(GetStudy().SerializeAsString(), before.SerializeAsString());
  EXPECT_EQ(
      Good(researcher_->Call(&AnalysisService::Stub::GetResult, get)).result().SerializeAsString(),
      result.SerializeAsString());
  const auto log_after = ReadLog();
  ASSERT_EQ(log_after.size(), log_before.size());
  log::ChainVerifier chain;
  for (std::size_t i = 0; i < log_after.size(); ++i) {
    EXPECT_EQ(log_after[i].SerializeAsString(), log_before[i].SerializeAsString());
    ASSERT_TRUE(chain.Add(log_after[i].entry(), log_after[i].hash()).ok()) << i;
  }
  EXPECT_EQ(chain.head().sequence, before.log_head());
  EXPECT_EQ(log::HashBytes(chain.head().hash), before.log_head_hash());
  EXPECT_EQ(ReadLog(before.log_head()).size(), 1u);
  EXPECT_TRUE(ReadLog(before.log_head() + 1).empty());
}

TEST_F(StudyIntegrationTest, RefusesWhatComesAfterClosing) {
  Close(client::NewUuid());
  intake::v1::RecordRequest request;
  request.set_study(community_.study);
  *request.mutable_record() = Joined("late");
  const auto receipt = Good(server_->Connect(community_.intake_key)
                                ->Call(&intake::v1::IntakeService::Stub::Record, request))
                           .receipt();
  EXPECT_EQ(receipt.judgement().outcome(), intake::v1::OUTCOME_REFUSED);
  ASSERT_EQ(receipt.judgement().problems_size(), 1);
  EXPECT_EQ(receipt.judgement().problems(0).reason(), "study_closed");
}

TEST_F(StudyIntegrationTest, FollowsALogWhileRecordsCome) {
  grpc::ClientContext context;
  researcher_->Authorize(&context);
  intake::v1::ReadLogRequest request;
  request.set_study(community_.study);
  request.set_follow(true);
  const auto reader = researcher_->Of<LogService::Stub>().ReadLog(&context, request);
  std::thread sender([&] { SendRecords(); });
  log::ChainVerifier chain;
  intake::v1::ReadLogResponse entry;
  // The protocol, 12 growers with 12 blocks, 24 units, 234 looks and a loss.
  while (chain.head().sequence < 1 + 12 + 12 + 24 + 234 + 1 && reader->Read(&entry)) {
    ASSERT_TRUE(chain.Add(entry.entry(), entry.hash()).ok());
  }
  EXPECT_EQ(chain.head().sequence, 284);
  sender.join();
  context.TryCancel();
  EXPECT_EQ(reader->Finish().error_code(), grpc::StatusCode::CANCELLED);
}

TEST_F(StudyIntegrationTest, NamesEveryProblemOfADefinitionAndAsksThePlugins) {
  study::v1::CheckProtocolRequest check;
  check.set_parent(community_.name);
  *check.mutable_protocol() = SampleProtocol();
  const auto found = Good(organizer_->Call(&StudyService::Stub::CheckProtocol, check));
  for (const auto& problem : found.problems()) {
    EXPECT_TRUE(problem.advice()) << problem.ShortDebugString();
    EXPECT_NE(problem.reason(), "plugin_did_not_answer") << problem.ShortDebugString();
  }
  check.mutable_protocol()->mutable_analyses(0)->set_plugin("crystal-ball");
  const auto missing = Good(organizer_->Call(&StudyService::Stub::CheckProtocol, check));
  bool told = false;
  for (const auto& problem : missing.problems()) {
    told |= problem.reason() == "plugin_not_available" &&
            problem.path() == "analyses[how_soon].plugin" && !problem.advice();
  }
  EXPECT_TRUE(told) << missing.DebugString();

  study::v1::PublishProtocolRequest publish;
  publish.set_name(community_.study);
  publish.set_request_id(client::NewUuid());
  publish.set_reason("try");
  const absl::Status refused =
      organizer_->Call(&StudyService::Stub::PublishProtocol, publish).status();
  EXPECT_EQ(client::Reason(refused), "protocol_has_problems");
  EXPECT_GT(client::FieldViolations(refused).size(), 5u);
}

TEST_F(StudyIntegrationTest, SaysWhichPrerequisiteIsMissing) {
  study::v1::FreezeStudyRequest freeze;
  freeze.set_name(community_.study);
  freeze.set_request_id(client::NewUuid());
  EXPECT_EQ(client::Reason(organizer_->Call(&StudyService::Stub::FreezeStudy, freeze).status()),
            "study_not_closed");
  study::v1::CloseStudyRequest close;
  close.set_name(community_.study);
  close.set_request_id(client::NewUuid());
  EXPECT_EQ(client::Reason(organizer_->Call(&StudyService::Stub::CloseStudy, close).status()),
            "closes_early");
  study::v1::GetStudyRequest get;
  get.set_name(community_.name + "/studies/none");
  EXPECT_EQ(client::Reason(organizer_->Call(&StudyService::Stub::GetStudy, get).status()),
            "study_not_found");
  analysis::v1::CreateRunRequest run;
  run.set_freeze(community_.study + "/freezes/1");
  run.set_analysis("how_soon");
  run.set_request_id(client::NewUuid());
  EXPECT_EQ(client::Reason(researcher_->Call(&AnalysisService::Stub::CreateRun, run).status()),
            "freeze_not_found");
}

TEST_F(StudyIntegrationTest, LeavesExcludedUnitsOutOfTheDataset) {
  SendRecords();
  Close(client::NewUuid());
  EXPECT_EQ(Freeze().units(), 24);
  intake::v1::ExcludeRequest exclude;
  exclude.set_study(community_.study);
  exclude.set_block("b3");
  exclude.set_reason("labels were swapped");
  exclude.set_request_id(client::NewUuid());
  const auto receipt = Good(organizer_->Call(&LogService::Stub::Exclude, exclude)).receipt();
  EXPECT_EQ(receipt.judgement().outcome(), intake::v1::OUTCOME_TAKEN);
  const study::v1::Freeze second = Freeze();
  EXPECT_EQ(second.units(), 22);
  study::v1::ListFreezesRequest list;
  list.set_parent(community_.study);
  list.set_page_size(1);
  const auto page = Good(organizer_->Call(&StudyService::Stub::ListFreezes, list));
  ASSERT_EQ(page.freezes_size(), 1);
  EXPECT_EQ(page.freezes(0).name(), second.name());
  EXPECT_FALSE(page.next_page_token().empty());
}

}  // namespace
}  // namespace plumule::integration
