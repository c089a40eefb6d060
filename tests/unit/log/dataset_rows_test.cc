// Which rows and cells a dataset has.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>
#include <vector>

#include "absl/strings/str_cat.h"
#include "server/protocol/reason.h"
#include "tests/unit/log/dataset_study.h"

namespace plumule::log {
namespace {

using testing::ElementsAre;

class DatasetRows : public testing::Test {
 protected:
  const Dataset& Closed() {
    if (!dataset_) {
      study_.Close();
      dataset_ = study_.Open();
    }
    return *dataset_;
  }
  std::string Cell(const std::string& unit, const std::string& column) {
    return CellIn(Closed(), unit, column);
  }
  // A block `b` of grower `g` with one unit `u`.
  void StartOne(Values of_block = {}, Values of_unit = {}) {
    study_.Send({make_.Joined("g"), make_.BlockStarted("g", "b", std::move(of_block)),
                 make_.UnitStarted("b", "u", "high", "2027-03-02", std::move(of_unit))});
  }

  RecordMaker make_;
  DatasetStudy study_;
  std::unique_ptr<Dataset> dataset_;
};

std::vector<std::string> Describe(const analysis::v1::DatasetSchema& schema) {
  std::vector<std::string> lines;
  for (const auto& column : schema.columns()) {
    const std::string type = analysis::v1::ColumnType_Name(column.type());
    lines.push_back(
        absl::StrCat(column.name(), " ", type.substr(sizeof "COLUMN_TYPE"), " ", column.unit()));
  }
  return lines;
}

TEST_F(DatasetRows, HasTheColumnsOfTheContractInItsOrder) {
  const auto units = Closed().Units();
  // Without `member`, which is for organizers only.
  EXPECT_THAT(
      Describe((*units)->schema()),
      ElementsAre("block CODE ", "unit CODE ", "arm CODE ", "dose NUMBER [ppm]",
                  "in_primary YES_NO ", "country CODE ", "place CODE ", "medium CODE ",
                  "temperature NUMBER Cel", "strength NUMBER [ppm]", "heated YES_NO ",
                  "taken_on DATE ", "origin CODE ", "tall_lower NUMBER d", "tall_upper NUMBER d",
                  "tall_status CODE ", "rooted_lower NUMBER d", "rooted_upper NUMBER d",
                  "rooted_status CODE ", "callused_lower NUMBER d", "callused_upper NUMBER d",
                  "callused_status CODE ", "visible_lower NUMBER d", "visible_upper NUMBER d",
                  "visible_status CODE "));
  EXPECT_EQ((*units)->schema().dose_unit(), "[ppm]");
  EXPECT_THAT((*units)->schema().thresholds(),
              ElementsAre("tall", "rooted", "callused", "visible"));
  const auto looks = Closed().Looks();
  // Without `picture`, a photo.
  EXPECT_THAT(Describe((*looks)->schema()),
              ElementsAre("block CODE ", "unit CODE ", "day NUMBER d", "shoot NUMBER mm",
                          "roots COUNT ", "callus CODE ", "seen YES_NO "));
}

TEST_F(DatasetRows, OfAStudyWithoutRecordsAreNone) {
  EXPECT_EQ(PrintUnits(Closed()).size(), 1U);
  EXPECT_EQ(PrintLooks(Closed()).size(), 1U);
}

TEST(DatasetColumns, HaveNoDoseWhereNoArmHasOne) {
  study::v1::Protocol definition = DatasetDefinition();
  for (auto& arm : *definition.mutable_arms()) arm.clear_dose();
  DatasetStudy study(definition);
  study.Close();
  const auto dataset = study.Open();
  const auto units = dataset->Units();
  EXPECT_EQ((*units)->schema().columns(3).name(), "in_primary");
  EXPECT_EQ((*units)->schema().dose_unit(), "");
}

TEST(DatasetColumns, LeaveTheDoseOfAnArmWithoutOneMissing) {
  study::v1::Protocol definition = DatasetDefinition();
  definition.mutable_arms(0)->clear_dose();
  RecordMaker make;
  DatasetStudy study(definition);
  study.Send({make.Joined("g"), make.BlockStarted("g", "b"),
              make.UnitStarted("b", "c", "control", "2027-03-02"),
              make.UnitStarted("b", "l", "low", "2027-03-02"),
              make.UnitStarted("b", "h", "high", "2027-03-02")});
  study.Close();
  const auto dataset = study.Open();
  EXPECT_EQ((*dataset->Units())->schema().dose_unit(), "mg/L");
  EXPECT_EQ(CellIn(*dataset, "c", "dose"), "-");
  EXPECT_EQ(CellIn(*dataset, "l", "dose"), "500");
  EXPECT_EQ(CellIn(*dataset, "h", "dose"), "1000");
}

// Read off by hand from the records.
TEST_F(DatasetRows, OfASmallStudyAreThese) {
  study_.Send(SmallStudy(&make_));
  EXPECT_THAT(
      PrintUnits(Closed()),
      ElementsAre(
          "block unit arm dose in_primary country place medium temperature strength heated "
          "taken_on origin tall_lower tall_upper tall_status rooted_lower rooted_upper "
          "rooted_status callused_lower callused_upper callused_status visible_lower "
          "visible_upper visible_status",
          "b10 u1 low 500 yes NO out coir - - - 2027-03-09 - 0 - not_reached 0 - not_reached 0 - "
          "not_reached - - -",
          "b2 u1 control 0 yes PT in coir+sand 25 250 yes 2027-03-01 own 7 14 reached 7 14 "
          "reached 0 14 reached 7 - not_reached",
          "b2 u2 high 1000 yes PT in coir+sand 25 250 yes - other 18 - lost_incidental 18 - "
          "lost_incidental 18 - lost_incidental 7 9 reached"));
  EXPECT_THAT(PrintLooks(Closed()),
              ElementsAre("block unit day shoot roots callus seen", "b10 u1 0 0 - - -",
                          "b2 u1 7 15 0 - -", "b2 u1 14 50.8 2 some yes"));
}

TEST_F(DatasetRows, ComeBytewiseByBlockThenUnit) {
  study_.Send({make_.Joined("g1"), make_.Joined("g2"), make_.Joined("g3"), make_.Joined("g4"),
               make_.BlockStarted("g1", "a"), make_.BlockStarted("g2", "a-b"),
               make_.BlockStarted("g3", "B"), make_.BlockStarted("g4", "a.b")});
  for (const char* block : {"a.b", "a", "a-b", "B"}) {
    for (const char* unit : {"u2", "u10", "U", "u"}) {
      study_.Send({make_.UnitStarted(block, unit, "high", "2027-03-02")});
    }
  }
  std::vector<std::string> places;
  for (const std::string& line : PrintUnits(Closed())) {
    places.push_back(line.substr(0, line.find(" high")));
  }
  places.erase(places.begin());
  EXPECT_THAT(places,
              ElementsAre("B U", "B u", "B u10", "B u2", "a U", "a u", "a u10", "a u2", "a-b U",
                          "a-b u", "a-b u10", "a-b u2", "a.b U", "a.b u", "a.b u10", "a.b u2"));
}

TEST_F(DatasetRows, ShowWhatCorrectionsSay) {
  StartOne({Choice("place", {"in"}), YesNo("heated", false)}, {Choice("origin", {"own"})});
  const Record look = make_.Observed("b", "u", "2027-03-09", {Number("shoot", 60, "mm")});
  const Record another = make_.Observed("b", "u", "2027-03-10", {Number("shoot", 61, "mm")});
  study_.Send({look, another});
  study_.Send(
      {make_.Corrected(look, make_.Observed("b", "u", "2027-03-08", {Number("shoot", 6, "mm")})),
       make_.Withdrawn(another)});
  EXPECT_EQ(CrossingIn(Closed(), "u", "tall"), "6 - not_reached");
  EXPECT_THAT(PrintLooks(Closed()), ElementsAre(testing::_, "b u 6 6 - - -"));
}

TEST_F(DatasetRows, ShowTheArmAndTheAnswersOfACorrectedStart) {
  study_.Send({make_.Joined("g")});
  const Record block = make_.BlockStarted("g", "b", {Choice("place", {"in"})});
  const Record unit =
      make_.UnitStarted("b", "u", "high", "2027-03-02", {Choice("origin", {"own"})});
  study_.Send({block, unit});
  study_.Send({make_.Corrected(unit, make_.UnitStarted("b", "u", "control", "2027-03-04")),
               make_.Corrected(block, make_.BlockStarted("g", "b", {Choice("place", {"out"})}))});
  EXPECT_EQ(Cell("u", "arm"), "control");
  EXPECT_EQ(Cell("u", "dose"), "0");
  EXPECT_EQ(Cell("u", "origin"), "-");
  EXPECT_EQ(Cell("u", "place"), "out");
}

TEST_F(DatasetRows, HaveNoUnitWhoseStartWasWithdrawn) {
  StartOne();
  const Record mistake = make_.UnitStarted("b", "v", "low", "2027-03-02");
  study_.Send({mistake});
  study_.Send({make_.Withdrawn(mistake)});
  EXPECT_EQ(PrintUnits(Closed()).size(), 2U);
  EXPECT_EQ(Closed().Counts()->units_started(), 1);
}

TEST_F(DatasetRows, HaveNoUnitsOfGrowersWhoTookTheirRecordsBack) {
  for (const std::string grower : {"stays", "leaves", "takes_back", "never_began"}) {
    study_.Send({make_.Joined(grower)});
    if (grower == "never_began") continue;
    study_.Send({make_.BlockStarted(grower, grower),
                 make_.UnitStarted(grower, "u_" + grower, "high", "2027-03-02"),
                 make_.UnitStarted(grower, "v_" + grower, "low", "2027-03-02"),
                 make_.Observed(grower, "u_" + grower, "2027-03-05", {Number("shoot", 1, "mm")})});
  }
  study_.Send({make_.Withdrew("leaves", true), make_.Withdrew("takes_back", false),
               make_.Withdrew("never_began", false)});
  EXPECT_EQ(Cell("u_stays", "arm"), "high");
  EXPECT_EQ(Cell("u_leaves", "arm"), "high");
  EXPECT_EQ(Cell("u_takes_back", "arm"), "");
  EXPECT_EQ(PrintUnits(Closed()).size(), 5U);
  EXPECT_EQ(PrintLooks(Closed()).size(), 3U);
  const auto counts = Closed().Counts();
  EXPECT_EQ(counts->growers_joined(), 4);
  EXPECT_EQ(counts->growers_withdrawn(), 2);
  EXPECT_EQ(counts->blocks_started(), 3);
  EXPECT_EQ(counts->units_started(), 6);
  ASSERT_EQ(counts->excluded_size(), 1);
  EXPECT_EQ(counts->excluded(0).reason(), "the grower withdrew");
  EXPECT_EQ(counts->excluded(0).units(), 2);
}

TEST_F(DatasetRows, HaveNoUnitsThatTheOrganizerLeftOut) {
  for (const std::string block : {"b1", "b2"}) {
    study_.Send({make_.Joined("g" + block), make_.BlockStarted("g" + block, block),
                 make_.UnitStarted(block, "u1" + block, "high", "2027-03-02"),
                 make_.UnitStarted(block, "u2" + block, "low", "2027-03-02")});
  }
  study_.Exclude("b1", "u1b1", "mislabelled");
  study_.Exclude("b2", "", "sprayed");
  study_.Exclude("b2", "u1b2", "mislabelled");
  EXPECT_EQ(PrintUnits(Closed()).size(), 2U);
  EXPECT_EQ(Cell("u2b1", "arm"), "low");
  const auto counts = Closed().Counts();
  EXPECT_EQ(counts->units_started(), 4);
  ASSERT_EQ(counts->excluded_size(), 2);
  EXPECT_EQ(counts->excluded(0).reason(), "mislabelled");
  EXPECT_EQ(counts->excluded(0).units(), 1);
  // Both units of b2: the first of two reasons counts.
  EXPECT_EQ(counts->excluded(1).reason(), "sprayed");
  EXPECT_EQ(counts->excluded(1).units(), 2);
}

TEST_F(DatasetRows, HaveOneCodeForSeveralChoices) {
  StartOne({Choice("medium", {"perlite", "coir"})});
  EXPECT_EQ(Cell("u", "medium"), "coir+perlite");
}

TEST_F(DatasetRows, TellWhatFreeWordsStandBesideButNotTheWords) {
  study::v1::Protocol definition = DatasetDefinition();
  for (auto& variable : *definition.mutable_variables()) {
    if (variable.id() == "medium") variable.mutable_choice()->set_allow_other(true);
  }
  RecordMaker make;
  DatasetStudy study(definition);
  study.Send({make.Joined("g"),
              make.BlockStarted("g", "b", {Choice("medium", {"coir"}, "old tea leaves")}),
              make.UnitStarted("b", "u", "high", "2027-03-02",
                               {Choice("origin", {"bought"}, "at a fair")})});
  study.Close();
  const auto dataset = study.Open();
  EXPECT_EQ(CellIn(*dataset, "u", "medium"), "coir+other");
  EXPECT_EQ(CellIn(*dataset, "u", "origin"), "bought");
}

TEST_F(DatasetRows, AreOutOfThePrimarySetForWhatTheUnitBroke) {
  StartOne();
  study_.Send({
      // Cut long before: the rule `fresh` leaves the set.
      make_.UnitStarted("b", "stale", "high", "2027-03-10", {Date("taken_on", "2027-03-01")}),
      make_.UnitStarted("b", "fresh", "low", "2027-03-10", {Date("taken_on", "2027-03-09")}),
      // After the last day to start.
      make_.UnitStarted("b", "late", "low", "2027-03-24"),
      // The rule `weekly` does not leave the set.
      make_.Observed("b", "u", "2027-04-20", {Number("shoot", 1, "mm")}),
  });
  EXPECT_EQ(Cell("u", "in_primary"), "yes");
  EXPECT_EQ(Cell("stale", "in_primary"), "no");
  EXPECT_EQ(Cell("fresh", "in_primary"), "yes");
  EXPECT_EQ(Cell("late", "in_primary"), "no");
  std::vector<std::string> deviations;
  const auto counts = Closed().Counts();
  for (const auto& deviation : counts->deviations()) {
    deviations.push_back(absl::StrCat(deviation.rule(), " ", deviation.units()));
  }
  EXPECT_THAT(deviations, ElementsAre("fresh 1", "late_start 1", "weekly 1"));
}

TEST_F(DatasetRows, AreOutOfThePrimarySetForWhatTheirBlockBroke) {
  // Sand alone breaks `has_organic_part`.
  StartOne({Choice("medium", {"sand"})});
  study_.Send({make_.UnitStarted("b", "v", "low", "2027-03-02"), make_.Joined("h"),
               make_.BlockStarted("h", "c"), make_.UnitStarted("c", "w", "low", "2027-03-02")});
  EXPECT_EQ(Cell("u", "in_primary"), "no");
  EXPECT_EQ(Cell("v", "in_primary"), "no");
  EXPECT_EQ(Cell("w", "in_primary"), "yes");
  const auto counts = Closed().Counts();
  ASSERT_EQ(counts->deviations_size(), 1);
  EXPECT_EQ(counts->deviations(0).units(), 2);
}

TEST_F(DatasetRows, ComeBackIntoThePrimarySetWhenACorrectionMendsTheBreach) {
  StartOne();
  const Record stale =
      make_.UnitStarted("b", "v", "low", "2027-03-10", {Date("taken_on", "2027-03-01")});
  study_.Send({stale});
  study_.Send({make_.Corrected(
      stale, make_.UnitStarted("b", "v", "low", "2027-03-10", {Date("taken_on", "2027-03-08")}))});
  EXPECT_EQ(Cell("v", "in_primary"), "yes");
}

TEST(DatasetPrimarySet, LeavesOutAllWhoGaveAnAnswerThatMustBeUnique) {
  study::v1::Protocol definition = DatasetDefinition();
  for (auto& rule : *definition.mutable_rules()) {
    if (rule.id() != "one_member") continue;
    rule.set_outcome(study::v1::RULE_OUTCOME_DEVIATION);
    rule.set_leaves_primary_set(true);
  }
  RecordMaker make;
  DatasetStudy study(definition);
  for (const std::string grower : {"g1", "g2", "g3"}) {
    study.Send({make.Joined(grower, {Country("country", "PT"),
                                     Text("member", grower == "g3" ? "M-3" : "M-1")}),
                make.BlockStarted(grower, "b" + grower),
                make.UnitStarted("b" + grower, "u" + grower, "high", "2027-03-02")});
  }
  study.Close();
  const auto dataset = study.Open();
  EXPECT_EQ(CellIn(*dataset, "ug1", "in_primary"), "no");
  EXPECT_EQ(CellIn(*dataset, "ug2", "in_primary"), "no");
  EXPECT_EQ(CellIn(*dataset, "ug3", "in_primary"), "yes");
  EXPECT_EQ(dataset->Counts()->deviations(0).rule(), "one_member");
  EXPECT_EQ(dataset->Counts()->deviations(0).units(), 2);
}

TEST_F(DatasetRows, FollowTheNewestRevision) {
  StartOne({}, {Date("taken_on", "2027-02-20")});
  study::v1::Protocol amended = DatasetDefinition();
  for (auto& rule : *amended.mutable_rules()) {
    if (rule.id() == "fresh") rule.mutable_within_days()->set_max_days(30);
  }
  auto* asked = amended.add_variables();
  asked->set_id("lit");
  asked->mutable_label()->set_text("Is it lit?");
  asked->set_scope(study::v1::SCOPE_UNIT);
  asked->mutable_yes_no();
  study_.Publish(amended, "The cuttings keep longer than we thought.");
  EXPECT_EQ(Cell("u", "lit"), "-");
  EXPECT_EQ(Cell("u", "in_primary"), "yes");
}

TEST_F(DatasetRows, AreNotReadBeforeTheStudyIsClosed) {
  StartOne();
  const auto open = Dataset::Open(study_.store(), study_.name(), 0);
  EXPECT_EQ(open.status().code(), absl::StatusCode::kFailedPrecondition);
  EXPECT_EQ(ReasonOf(open.status()), "study_not_closed");
  const std::int64_t closing = Closed().log_sequence();
  EXPECT_EQ(ReasonOf(Dataset::Open(study_.store(), study_.name(), closing - 1).status()),
            "study_not_closed");
  EXPECT_TRUE(Dataset::Open(study_.store(), study_.name(), closing).ok());
  EXPECT_EQ(ReasonOf(Dataset::Open(study_.store(), study_.name(), closing + 1).status()),
            "log_damaged");
  EXPECT_EQ(ReasonOf(Dataset::Open(study_.store(), {"windowsill", "none"}, 0).status()),
            "study_not_found");
}

TEST_F(DatasetRows, StayAsTheyWereAtAFreezeWhenMoreIsLeftOutLater) {
  StartOne();
  study_.Send({make_.UnitStarted("b", "v", "low", "2027-03-02")});
  study_.Close();
  const study::v1::Freeze first = study_.Freeze();
  EXPECT_EQ(first.units(), 2);
  EXPECT_EQ(first.blocks(), 1);
  study_.Exclude("b", "v", "mislabelled");
  const study::v1::Freeze second = study_.Freeze();
  EXPECT_EQ(second.units(), 1);
  EXPECT_NE(first.dataset_digest(), second.dataset_digest());
  for (const study::v1::Freeze& freeze : {first, second}) {
    const auto dataset = study_.Open(freeze.log_sequence());
    EXPECT_EQ(ToHex(DigestOf(*dataset)->digest), freeze.dataset_digest());
    EXPECT_EQ(dataset->Counts()->excluded_size(), freeze.units() == 2 ? 0 : 1);
  }
  // Nothing was logged since.
  EXPECT_EQ(study_.Freeze().name(), second.name());
}

}  // namespace
}  // namespace plumule::log
