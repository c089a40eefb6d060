// Random histories against a simple model: what is in force is what was said last of each fact,
// however often and in whatever order it came.
#include <gtest/gtest.h>
#include <rapidcheck.h>
#include <rapidcheck/gtest.h>

#include <algorithm>
#include <map>
#include <set>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "server/log/dataset.h"
#include "server/log/log_reader.h"
#include "server/log/study_reader.h"
#include "tests/unit/intake/open_study.h"

namespace plumule::intake {
namespace {

// The good definition without the rules that refuse by several records, so that any order is taken.
study::v1::Protocol Lenient() {
  study::v1::Protocol definition = OpenStudy::Definition();
  definition.mutable_block()->set_max_blocks_per_grower(10);
  auto* rules = definition.mutable_rules();
  rules->erase(std::remove_if(rules->begin(), rules->end(),
                              [](const study::v1::Rule& rule) {
                                return rule.id() == "in_order" || rule.id() == "one_member";
                              }),
               rules->end());
  return definition;
}

std::string Day(int after) {
  const absl::CivilDay day = absl::CivilDay(2027, 3, 5) + after;
  return absl::StrFormat("%04d-%02d-%02d", day.year(), day.month(), day.day());
}

// What the model knows, and all that it relies on: facts in force by the id of their record.
struct Model {
  std::set<std::string> growers, blocks, units;
  std::map<std::string, std::string> looks;  // record id → unit
  std::map<std::string, std::string> lost;   // unit → cause
};

// A history of records that are all sound in the order made.
struct History {
  std::vector<v1::Record> records;
  Model model;
};

std::string UnitName(const v1::Record& record) {
  return absl::StrCat(record.block(), "/", record.unit());
}

void AddLooks(RecordMaker& make, const v1::Record& unit, History* history) {
  const int looks = *rc::gen::inRange(0, 6);
  for (int i = 0; i < looks; ++i) {
    const int after = *rc::gen::inRange(8, 40);
    const double length = *rc::gen::inRange(0, 80);
    const v1::Record look =
        make.Observed(unit.block(), unit.unit(), Day(after),
                      {Number("shoot", length, "mm"), Count("roots", *rc::gen::inRange(0, 3))});
    history->records.push_back(look);
    history->model.looks[look.record_id()] = UnitName(unit);
    const int fate = *rc::gen::inRange(0, 6);
    if (fate == 0) {
      history->records.push_back(make.Withdrawn(look));
      history->model.looks.erase(look.record_id());
    } else if (fate == 1) {
      history->records.push_back(
          make.Corrected(look, make.Observed(unit.block(), unit.unit(), Day(after),
                                             {Number("shoot", length + 1, "mm")})));
    }
  }
}

void AddUnit(RecordMaker& make, const std::string& block, int number, History* history) {
  const std::string arm = *rc::gen::element<std::string>("control", "low", "high");
  const v1::Record unit =
      make.UnitStarted(block, absl::StrCat("u", number), arm, Day(*rc::gen::inRange(0, 8)),
                       {Choice("origin", {*rc::gen::element<std::string>("own", "bought")})});
  history->records.push_back(unit);
  history->model.units.insert(UnitName(unit));
  AddLooks(make, unit, history);
  if (*rc::gen::inRange(0, 3) == 0) {
    history->records.push_back(
        make.Reached(block, unit.unit(), "rooted", Day(*rc::gen::inRange(8, 40))));
  }
  if (*rc::gen::inRange(0, 3) == 0) {
    const std::string cause = *rc::gen::element<std::string>("rotted", "eaten");
    history->records.push_back(make.Lost(block, unit.unit(), cause, Day(*rc::gen::inRange(8, 40))));
    history->model.lost[UnitName(unit)] = cause;
  }
}

History MakeHistory() {
  RecordMaker make;
  History history;
  const int growers = *rc::gen::inRange(1, 4);
  for (int g = 0; g < growers; ++g) {
    const std::string grower = absl::StrCat("g", g);
    history.records.push_back(make.Joined(grower));
    history.model.growers.insert(grower);
    const int blocks = *rc::gen::inRange(0, 3);
    for (int b = 0; b < blocks; ++b) {
      const std::string block = absl::StrCat("b", g, ".", b);
      history.records.push_back(make.BlockStarted(grower, block));
      history.model.blocks.insert(block);
      const int units = *rc::gen::inRange(0, 4);
      for (int u = 0; u < units; ++u) AddUnit(make, block, u, &history);
    }
  }
  return history;
}

// The history in another order, with repetitions, in batches of any size. The order in which
// corrections of one record come decides which counts, and here each record has one at most.
std::vector<std::vector<v1::Record>> Shuffled(std::vector<v1::Record> records) {
  std::vector<v1::Record> order = records;
  const int repetitions = *rc::gen::inRange(0, 5);
  for (int i = 0; i < repetitions; ++i) {
    order.push_back(records[*rc::gen::inRange<std::size_t>(0, records.size())]);
  }
  for (std::size_t i = order.size(); i > 1; --i) {
    std::swap(order[i - 1], order[*rc::gen::inRange<std::size_t>(0, i)]);
  }
  std::vector<std::vector<v1::Record>> batches;
  for (std::size_t at = 0; at < order.size();) {
    const std::size_t size = std::min(*rc::gen::inRange<std::size_t>(1, 12), order.size() - at);
    batches.emplace_back(order.begin() + static_cast<std::ptrdiff_t>(at),
                         order.begin() + static_cast<std::ptrdiff_t>(at + size));
    at += size;
  }
  return batches;
}

std::int64_t TallyOf(const google::protobuf::RepeatedPtrField<v1::Tally>& tallies,
                     const std::string& id) {
  for (const v1::Tally& tally : tallies) {
    if (tally.id() == id) return tally.count();
  }
  return 0;
}

void ExpectAgrees(OpenStudy& study, const Model& model) {
  const v1::Progress progress = *log::ReadProgress(study.store(), study.name());
  RC_ASSERT(progress.growers() == static_cast<std::int64_t>(model.growers.size()));
  RC_ASSERT(progress.blocks() == static_cast<std::int64_t>(model.blocks.size()));
  RC_ASSERT(progress.units() == static_cast<std::int64_t>(model.units.size()));
  RC_ASSERT(progress.observations() == static_cast<std::int64_t>(model.looks.size()));
  for (const char* cause : {"rotted", "eaten"}) {
    RC_ASSERT(TallyOf(progress.lost(), cause) ==
              std::count_if(model.lost.begin(), model.lost.end(),
                            [&](const auto& lost) { return lost.second == cause; }));
  }
  RC_ASSERT(progress.pending() == 0);
  RC_ASSERT(progress.refused() == 0);
}

void ExpectRebuilt(OpenStudy& study) {
  RC_ASSERT(log::Verify(study.store(), study.name()).ok());
  store::MemoryStore fresh;
  const absl::Status rebuilt = log::RebuildState(study.store(), study.name(), fresh);
  if (!rebuilt.ok()) RC_FAIL(std::string(rebuilt.message()));
}

std::string DigestOf(OpenStudy& study) {
  study.SetToday(absl::CivilDay(2027, 7, 20));
  RC_ASSERT(study.life().Close(study.name(), RequestId(50), "", kOrganizer).ok());
  const auto dataset = log::Dataset::Open(study.store(), study.name(), 0);
  RC_ASSERT(dataset.ok());
  return log::ToHex(log::DigestOf(**dataset)->digest);
}

RC_GTEST_PROP(Model, AnyOrderOfTheSameRecordsGivesTheSameStateAndDataset, ()) {
  const History history = MakeHistory();
  OpenStudy in_order(Lenient());
  for (const v1::Record& record : history.records) in_order.SendOne(record);
  ExpectAgrees(in_order, history.model);

  OpenStudy shuffled(Lenient());
  for (auto& batch : Shuffled(history.records)) shuffled.Send(std::move(batch));
  ExpectAgrees(shuffled, history.model);
  ExpectRebuilt(in_order);
  ExpectRebuilt(shuffled);
  RC_ASSERT(DigestOf(in_order) == DigestOf(shuffled));
}

// Any records at all, most of them unfit: whatever becomes of them, log and state agree.
RC_GTEST_PROP(Model, WhateverComesTheStateIsWhatTheLogSays, ()) {
  OpenStudy study(Lenient());
  RecordMaker make;
  std::vector<v1::Record> sent;
  const int count = *rc::gen::inRange(1, 60);
  for (int i = 0; i < count; ++i) {
    const std::string grower = absl::StrCat("g", *rc::gen::inRange(0, 2));
    const std::string block = absl::StrCat("b", *rc::gen::inRange(0, 2));
    const std::string unit = absl::StrCat("u", *rc::gen::inRange(0, 2));
    const std::string day = Day(*rc::gen::inRange(0, 40));
    switch (*rc::gen::inRange(0, 9)) {
      case 0:
        sent.push_back(make.Joined(grower));
        break;
      case 1:
        sent.push_back(make.BlockStarted(grower, block));
        break;
      case 2:
        sent.push_back(make.UnitStarted(block, unit, "high", day));
        break;
      case 3:
      case 4:
        sent.push_back(
            make.Observed(block, unit, day, {Number("shoot", *rc::gen::inRange(0, 90), "mm")}));
        break;
      case 5:
        sent.push_back(make.Reached(block, unit, "rooted", day));
        break;
      case 6:
        sent.push_back(make.Lost(block, unit, "rotted", day));
        break;
      case 7: {
        v1::Record withdrew = make.Withdrew(grower, *rc::gen::arbitrary<bool>());
        withdrew.set_happened_on(day);
        sent.push_back(withdrew);
        break;
      }
      default:
        if (sent.empty()) break;
        const v1::Record& earlier = sent[*rc::gen::inRange<std::size_t>(0, sent.size())];
        v1::Record later = earlier;
        later.set_happened_on(day);
        switch (*rc::gen::inRange(0, 3)) {
          case 0:
            sent.push_back(earlier);
            break;
          case 1:
            sent.push_back(make.Withdrawn(earlier));
            break;
          default:
            sent.push_back(make.Corrected(earlier, later));
            break;
        }
        break;
    }
    if (!sent.empty()) study.SendOne(sent.back());
  }
  ExpectRebuilt(study);
}

}  // namespace
}  // namespace plumule::intake
