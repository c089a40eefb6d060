// The same facts give the same dataset, in whatever order and batches they come.
#include <gtest/gtest.h>
#include <rapidcheck/gtest.h>

#include <algorithm>
#include <random>
#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "tests/unit/log/dataset_study.h"

namespace plumule::log {
namespace {

// Facts of which none is refused for coming before or after another: with reports and looks that
// agree and disagree, losses before looks, corrections of each kind, deviations of all scopes.
std::vector<Record> Facts(RecordMaker* make) {
  std::vector<Record> facts = SmallStudy(make);
  const auto add = [&](Record record) { facts.push_back(std::move(record)); };
  for (int i = 0; i < 4; ++i) {
    const std::string grower = absl::StrCat("g", i);
    const std::string block = absl::StrCat("c", i);
    add(make->Joined(grower));
    add(make->BlockStarted(
        grower, block,
        {Choice("medium", {i == 2 ? "sand" : "coir"}), Number("temperature", 20 + i, "Cel")}));
    for (const std::string arm : {"control", "low", "high"}) {
      add(make->UnitStarted(block, arm, arm, i == 1 ? "2027-03-24" : "2027-03-10",
                            {Date("taken_on", i == 3 ? "2027-03-01" : "2027-03-09"),
                             Choice("origin", {arm == "low" ? "own" : "bought"})}));
      add(make->Observed(block, arm, "2027-04-01", {Number("shoot", 20 + i, "mm")}));
      add(make->Observed(block, arm, "2027-04-06",
                         {Number("shoot", 48 + i, "mm"), Count("roots", i)}));
      add(make->Observed(block, arm, "2027-04-06", {Number("shoot", 52 - i, "mm")}));
    }
    add(make->Reached(block, "high", "rooted", i < 2 ? "2027-04-05" : "2027-04-09", "2027-04-02"));
    add(make->Lost(block, "low", i < 2 ? "rotted" : "eaten", i == 0 ? "2027-04-03" : "2027-04-20"));
  }
  // What was wrong, and what should have been said.
  const Record look = make->Observed("c0", "high", "2027-04-10", {Number("shoot", 90, "mm")});
  add(make->Corrected(look,
                      make->Observed("c0", "high", "2027-04-12", {Number("shoot", 9, "cm")})));
  add(look);
  const Record extra = make->Observed("c1", "high", "2027-04-10", {Number("shoot", 90, "mm")});
  add(make->Withdrawn(extra));
  add(extra);
  const Record start = make->UnitStarted("c2", "more", "low", "2027-03-12");
  add(make->Corrected(start, make->UnitStarted("c2", "more", "high", "2027-03-11")));
  add(start);
  const Record joined = make->Joined("g4", {Country("country", "PT")});
  add(make->Corrected(joined, make->Joined("g4", {Country("country", "NO")})));
  add(joined);
  return facts;
}

struct Read {
  std::vector<std::string> units, looks, chunks;
  std::string digest, counts;

  friend bool operator==(const Read&, const Read&) = default;
};

// Sends facts in batches of `batch`; growers leave at the end, since nothing of theirs is taken
// after that.
Read ReadAfter(const std::vector<Record>& facts, std::size_t batch) {
  DatasetStudy study;
  for (std::size_t i = 0; i < facts.size(); i += batch) {
    study.Send({facts.begin() + static_cast<std::ptrdiff_t>(i),
                facts.begin() + static_cast<std::ptrdiff_t>(std::min(i + batch, facts.size()))});
  }
  RecordMaker last;
  for (int i = 0; i < 1000; ++i) last.NextId();
  study.Send({last.Withdrew("g3", false), last.Withdrew("g2", true)});
  study.Exclude("c1", "control", "mislabelled");
  study.Close();
  const auto dataset = study.Open();
  Read read;
  read.units = PrintUnits(*dataset);
  read.looks = PrintLooks(*dataset);
  for (const auto& chunk : ReadChunks(**dataset->Units())) {
    read.chunks.push_back(chunk.SerializeAsString());
  }
  for (const auto& chunk : ReadChunks(**dataset->Looks())) {
    read.chunks.push_back(chunk.SerializeAsString());
  }
  read.digest = ToHex(DigestOf(*dataset)->digest);
  read.counts = dataset->Counts()->SerializeAsString();
  return read;
}

TEST(DatasetOrder, FactsAreSuchThatTheyCanTellAnOrder) {
  RecordMaker make;
  const Read read = ReadAfter(Facts(&make), 1);
  EXPECT_EQ(read.units.size(), 1U + 3 + 9 + 1 - 1);
  EXPECT_GT(read.looks.size(), 25U);
}

RC_GTEST_PROP(DatasetOrder, OfArrivalMakesNoDifference, ()) {
  RecordMaker make;
  std::vector<Record> facts = Facts(&make);
  static const Read& expected = *new Read(ReadAfter(facts, facts.size()));
  std::mt19937 random(*rc::gen::arbitrary<std::uint32_t>());
  const auto batch = *rc::gen::inRange<std::size_t>(1, 40);
  std::shuffle(facts.begin(), facts.end(), random);
  const Read read = ReadAfter(facts, batch);
  RC_ASSERT(read.units == expected.units);
  RC_ASSERT(read.looks == expected.looks);
  RC_ASSERT(read == expected);
}

}  // namespace
}  // namespace plumule::log
