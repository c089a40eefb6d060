#include "tests/unit/intake/open_study.h"

#include <gtest/gtest.h>

#include <future>
#include <utility>

#include "absl/strings/str_format.h"
#include "absl/strings/str_join.h"
#include "server/log/log_reader.h"
#include "server/log/study_reader.h"
#include "tests/unit/protocol/good_definition.h"

namespace plumule::intake {
namespace {

template <typename List, typename Get>
std::string Joined(const List& list, Get get) {
  std::vector<std::string> parts;
  for (const auto& member : list) parts.push_back(get(member));
  return absl::StrJoin(parts, ",");
}

}  // namespace

std::string RequestId(int number) {
  return absl::StrFormat("f0000000-0000-4000-8000-%012d", number);
}

std::string ReasonsOf(const v1::Judgement& judgement) {
  return Joined(judgement.problems(), [](const auto& problem) { return problem.reason(); });
}

std::string DeviationsOf(const v1::Judgement& judgement) {
  return Joined(judgement.deviations(), [](const auto& finding) { return finding.rule(); });
}

std::string NotesOf(const v1::Judgement& judgement) {
  return Joined(judgement.notes(), [](const auto& finding) { return finding.rule(); });
}

study::v1::Protocol OpenStudy::Definition() { return protocol::GoodDefinition(); }

std::int64_t OpenStudy::ToSeconds(absl::CivilDay day) {
  return absl::ToUnixSeconds(
      absl::FromCivil(absl::CivilSecond(day) + 12 * 3600, absl::UTCTimeZone()));
}

Intake::Clock OpenStudy::Clock() const {
  return [this] { return absl::FromUnixSeconds(seconds_.load()); };
}

OpenStudy::OpenStudy(const study::v1::Protocol& definition, IntakeOptions options)
    : intake_(std::make_unique<Intake>(*store_, Clock(), options)),
      life_(std::make_unique<StudyLife>(*store_, *intake_, Clock())) {
  EXPECT_TRUE(life_->Create(name_, kOrganizer).ok());
  const auto published = life_->Publish(name_, definition, RequestId(1), "", kOrganizer);
  EXPECT_TRUE(published.ok()) << published.status();
}

std::vector<Answer> OpenStudy::Send(std::vector<v1::Record> records, const Actor& actor) {
  std::promise<Answers> promise;
  intake_->Submit(name_, std::move(records), actor,
                  [&](Answers answers) { promise.set_value(std::move(answers)); });
  Answers answers = promise.get_future().get();
  EXPECT_TRUE(answers.ok()) << answers.status();
  return answers.ok() ? *std::move(answers) : std::vector<Answer>();
}

Answer OpenStudy::SendOne(const v1::Record& record, const Actor& actor) {
  std::vector<Answer> answers = Send({record}, actor);
  return answers.empty() ? Answer() : std::move(answers.front());
}

void OpenStudy::Take(std::vector<v1::Record> records) {
  for (const Answer& answer : Send(std::move(records))) {
    EXPECT_EQ(answer.receipt.judgement().outcome(), v1::OUTCOME_TAKEN)
        << answer.receipt.ShortDebugString();
  }
}

void OpenStudy::StartPair() {
  Take({make.Joined("g"), make.BlockStarted("g", "b"),
        make.UnitStarted("b", "c", "control", "2027-03-10"),
        make.UnitStarted("b", "h", "high", "2027-03-10")});
}

std::int64_t OpenStudy::Refused() {
  const auto progress = log::ReadProgress(*store_, name_);
  EXPECT_TRUE(progress.ok()) << progress.status();
  return progress.ok() ? progress->refused() : -1;
}

void OpenStudy::ExpectSound() {
  const auto head = log::Verify(*store_, name_);
  EXPECT_TRUE(head.ok()) << head.status();
  store::MemoryStore fresh;
  const absl::Status rebuilt = log::RebuildState(*store_, name_, fresh);
  EXPECT_TRUE(rebuilt.ok()) << rebuilt;
}

}  // namespace plumule::intake
