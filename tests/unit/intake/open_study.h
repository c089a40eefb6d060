// A study that takes records, on a store and a clock of the test's own. Invented.
#pragma once

#include <atomic>
#include <memory>
#include <string>
#include <vector>

#include "absl/time/civil_time.h"
#include "absl/time/time.h"
#include "plumule/intake/v1/record.pb.h"
#include "plumule/study/v1/protocol.pb.h"
#include "server/intake/intake.h"
#include "server/intake/study_life.h"
#include "server/store/memory_store.h"
#include "server/store/study_name.h"
#include "tests/unit/log/dataset_study.h"

namespace plumule::intake {

using log::Choice;
using log::Count;
using log::Country;
using log::Date;
using log::Number;
using log::RecordMaker;
using log::Text;
using log::Values;
using log::YesNo;

inline const Actor kGrowers = {"growers", access::v1::ROLE_INTAKE};
inline const Actor kOrganizer = {"organizer", access::v1::ROLE_ORGANIZER};

// A UUID that no RecordMaker makes.
std::string RequestId(int number);

// The only problem's reason, or all of them, separated by commas; empty if there is none.
std::string ReasonsOf(const v1::Judgement& judgement);
// Ids of the rules of its deviations, separated by commas.
std::string DeviationsOf(const v1::Judgement& judgement);
std::string NotesOf(const v1::Judgement& judgement);

// The good definition of the protocol's tests (opens 2027-03-01, starts by 2027-03-20 and three
// days more, closes 2027-06-30, grace 14 days), published as revision 1. It is 2027-04-15.
class OpenStudy {
 public:
  explicit OpenStudy(const study::v1::Protocol& definition = Definition(),
                     IntakeOptions options = {});

  static study::v1::Protocol Definition();

  void SetToday(absl::CivilDay day) { seconds_ = ToSeconds(day); }
  Intake::Clock Clock() const;

  // Sends and waits. Expects an answer for each.
  std::vector<Answer> Send(std::vector<v1::Record> records, const Actor& actor = kGrowers);
  Answer SendOne(const v1::Record& record, const Actor& actor = kGrowers);
  v1::Judgement Judge(const v1::Record& record, const Actor& actor = kGrowers) {
    return SendOne(record, actor).receipt.judgement();
  }
  // Sends, and expects each to be taken without a remark.
  void Take(std::vector<v1::Record> records);
  // Grower g, block b, units c (control) and h (high), started on 2027-03-10.
  void StartPair();

  // Records kept aside.
  std::int64_t Refused();
  // The log is whole, and the state is what it says.
  void ExpectSound();

  const store::StudyName& name() const { return name_; }
  store::MemoryStore& store() { return *store_; }
  Intake& intake() { return *intake_; }
  StudyLife& life() { return *life_; }
  RecordMaker make;

 private:
  static std::int64_t ToSeconds(absl::CivilDay day);

  const store::StudyName name_{"windowsill", "rooting"};
  std::atomic<std::int64_t> seconds_ = ToSeconds(absl::CivilDay(2027, 4, 15));
  std::unique_ptr<store::MemoryStore> store_ = std::make_unique<store::MemoryStore>();
  std::unique_ptr<Intake> intake_;
  std::unique_ptr<StudyLife> life_;
};

}  // namespace plumule::intake
