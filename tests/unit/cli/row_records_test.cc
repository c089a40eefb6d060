#include "clients/cli/import/row_records.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <map>
#include <string>

#include "clients/cli/import/delivery.h"
#include "clients/cli/import/mapping_file.h"
#include "tests/unit/cli/sample_protocol.h"

namespace plumule::cli {
namespace {

using ::testing::AllOf;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

constexpr char kStudy[] = "communities/balcony/studies/coat";

constexpr char kPairMapping[] = R"txt(
  layout: LAYOUT_GROWER_ROWS
  date_order: DATE_ORDER_DAY_MONTH_YEAR
  blank_words: "not yet"
  consent_version: "1"
  columns { heading: "grower" means: MEANS_GROWER }
  columns { heading: "country" means: MEANS_ANSWER id: "country" }
  columns { heading: "control start" means: MEANS_STARTED_ON arm: "coat_on" }
  columns { heading: "treatment start" means: MEANS_STARTED_ON arm: "coat_off" }
  columns { heading: "control sprouted" means: MEANS_REACHED_ON arm: "coat_on" id: "sprout" }
  columns { heading: "treatment sprouted" means: MEANS_REACHED_ON arm: "coat_off" id: "sprout" }
)txt";

constexpr char kPairHead[] =
    "grower,country,control start,treatment start,control sprouted,treatment sprouted\n";

constexpr char kUnitMapping[] = R"txt(
  layout: LAYOUT_UNIT_ROWS
  date_order: DATE_ORDER_DAY_MONTH_YEAR
  consent_version: "1"
  columns { heading: "who" means: MEANS_GROWER }
  columns { heading: "seed" means: MEANS_UNIT }
  columns { heading: "arm" means: MEANS_ARM codes { cell: "on" id: "coat_on" }
            codes { cell: "off" id: "coat_off" } }
  columns { heading: "mass" means: MEANS_ANSWER id: "seed_mass" unit: "g" }
  columns { heading: "sown" means: MEANS_STARTED_ON }
  columns { heading: "last look" means: MEANS_NOT_YET_ON id: "sprout" }
  columns { heading: "up" means: MEANS_REACHED_ON id: "sprout" }
  columns { heading: "lost" means: MEANS_LOST_ON }
  columns { heading: "cause" means: MEANS_LOSS_CAUSE }
  not_yet { threshold: "sprout" answer: "no" }
)txt";

constexpr char kUnitHead[] = "who,seed,arm,mass,sown,last look,up,lost,cause\n";

SheetRecords Made(const std::string& csv, const std::string& mapping_text) {
  auto table = ParseTable(csv);
  EXPECT_TRUE(table.ok()) << table.status();
  auto mapping = ParseMapping(mapping_text, "test");
  EXPECT_TRUE(mapping.ok()) << mapping.status();
  const auto protocol = SampleProtocol();
  EXPECT_THAT(CheckMapping(*mapping, *table, protocol), IsEmpty());
  return MakeRecords(*table, *mapping, protocol, 3, kStudy);
}

std::vector<std::string> Facts(const SheetRecords& sheet) {
  std::vector<std::string> facts;
  for (const DraftRecord& draft : sheet.records) {
    const auto* field = intake::v1::Record::descriptor()->FindFieldByNumber(
        static_cast<int>(draft.record.fact_case()));
    facts.push_back(field->name() + " " + draft.record.grower() + draft.record.unit() + " " +
                    draft.record.happened_on());
  }
  return facts;
}

std::map<std::string, std::string> ContentById(const SheetRecords& sheet) {
  std::map<std::string, std::string> content;
  for (const DraftRecord& draft : sheet.records) {
    content[draft.record.record_id()] = draft.record.SerializeAsString();
  }
  return content;
}

TEST(RowRecords, MakesAPairOfUnitsOfOneGrowersRow) {
  const SheetRecords sheet = Made(
      std::string(kPairHead) + "g1,PT,05/03/2027,04/03/2027,20/03/2027,not yet\n", kPairMapping);
  EXPECT_THAT(sheet.faults, IsEmpty());
  // Joining and the block are dated by the first start; a blank day of sprouting makes no record.
  EXPECT_THAT(Facts(sheet),
              ElementsAre("joined g1 2027-03-04", "block_started g1 2027-03-04",
                          "unit_started coat_on 2027-03-05", "unit_started coat_off 2027-03-04",
                          "reached coat_on 2027-03-20"));
  const auto& joined = sheet.records[0].record;
  EXPECT_EQ(joined.protocol_revision(), 3);
  EXPECT_EQ(joined.joined().consent_version(), "1");
  EXPECT_EQ(joined.joined().values(0).value().country(), "PT");
  EXPECT_EQ(sheet.records[2].record.block(), "g1");
  EXPECT_EQ(sheet.records[2].record.unit_started().arm(), "coat_on");
  EXPECT_EQ(sheet.records[4].record.reached().threshold(), "sprout");
}

TEST(RowRecords, MakesStartsLooksAndLossesOfUnitRows) {
  const SheetRecords sheet = Made(std::string(kUnitHead) +
                                      "g1,s1,on,\"0.25\",04/03/2027,18/03/2027,20/03/2027,,\n"
                                      "g1,s2,off,,04/03/2027,25/06/2027,,,\n"
                                      "g1,s3,OFF,,04/03/2027,,,10/03/2027,rotted\n",
                                  kUnitMapping);
  EXPECT_THAT(sheet.faults, IsEmpty());
  EXPECT_THAT(Facts(sheet), ElementsAre("joined g1 2027-03-04", "block_started g1 2027-03-04",
                                        "unit_started s1 2027-03-04", "unit_started s2 2027-03-04",
                                        "unit_started s3 2027-03-04", "observed s2 2027-06-25",
                                        "reached s1 2027-03-20", "lost s3 2027-03-10"));
  const auto& mass = sheet.records[2].record.unit_started().values(0).value().number();
  EXPECT_EQ(mass.value(), 0.25);
  EXPECT_EQ(mass.unit(), "g");
  EXPECT_EQ(mass.entered(), "0.25");
  // The unit that had not sprouted was looked at: without that look it would not count as followed.
  EXPECT_FALSE(sheet.records[5].record.observed().values(0).value().yes_no());
  EXPECT_EQ(sheet.records[6].record.reached().not_yet_on(), "2027-03-18");
  EXPECT_EQ(sheet.records[7].record.lost().cause(), "rotted");
}

TEST(RowRecords, MakesLooksOfLookRows) {
  const SheetRecords sheet = Made(
      "block,unit,day,height\nb1,u1,2027-04-02,1.5\nb1,u1,2027-04-01,1\nb1,u2,2027-04-01,\n", R"txt(
        layout: LAYOUT_LOOK_ROWS
        date_order: DATE_ORDER_YEAR_MONTH_DAY
        columns { heading: "block" means: MEANS_BLOCK }
        columns { heading: "unit" means: MEANS_UNIT }
        columns { heading: "day" means: MEANS_LOOKED_ON }
        columns { heading: "height" means: MEANS_ANSWER id: "shoot" unit: "cm" })txt");
  EXPECT_THAT(Facts(sheet), ElementsAre("observed u1 2027-04-01", "observed u1 2027-04-02"));
  ASSERT_EQ(sheet.faults.size(), 1U);
  EXPECT_EQ(sheet.faults[0].row, 4);
  EXPECT_THAT(sheet.faults[0].message, HasSubstr("no answer"));
}

TEST(RowRecords, GivesTheSameIdsWhateverTheOrderOfRows) {
  const std::string a = "g1,PT,05/03/2027,04/03/2027,,\n", b = "g2,ES,06/03/2027,06/03/2027,,\n";
  EXPECT_EQ(ContentById(Made(kPairHead + a + b, kPairMapping)),
            ContentById(Made(std::string(kPairHead) + "\n" + b + a, kPairMapping)));
}

TEST(RowRecords, GivesAMendedCellTheSameId) {
  const auto before =
      Made(std::string(kPairHead) + "g1,PT,05/03/2027,05/03/2027,20/03/2027,\n", kPairMapping);
  const auto after =
      Made(std::string(kPairHead) + "g1,PT,05/03/2027,05/03/2027,21/03/2027,\n", kPairMapping);
  ASSERT_EQ(before.records.size(), after.records.size());
  EXPECT_EQ(before.records.back().record.record_id(), after.records.back().record.record_id());
  EXPECT_NE(before.records.back().record.happened_on(), after.records.back().record.happened_on());
}

TEST(RowRecords, GivesOtherIdsInAnotherStudy) {
  auto table = ParseTable(std::string(kPairHead) + "g1,PT,05/03/2027,04/03/2027,,\n");
  auto mapping = ParseMapping(kPairMapping, "test");
  const auto here = MakeRecords(*table, *mapping, SampleProtocol(), 1, kStudy);
  const auto there = MakeRecords(*table, *mapping, SampleProtocol(), 1, "communities/x/studies/y");
  EXPECT_NE(here.records[0].record.record_id(), there.records[0].record.record_id());
}

TEST(RowRecords, SendsNothingOfARowWithACellThatCanNotBeRead) {
  const SheetRecords sheet = Made(std::string(kPairHead) +
                                      "g1,PT,05/13/2027,04/03/2027,,\n"
                                      "g2,PT,05/03/2027,05/03/2027,soon,\n"
                                      "g3,PT,05/03/2027,05/03/2027,,\n",
                                  kPairMapping);
  for (const DraftRecord& draft : sheet.records) EXPECT_EQ(draft.owner, "g3");
  ASSERT_EQ(sheet.faults.size(), 2U);
  EXPECT_EQ(sheet.faults[0].row, 2);
  EXPECT_EQ(sheet.faults[0].column, "control start");
  EXPECT_THAT(sheet.faults[0].message, HasSubstr("13 is no month"));
  EXPECT_EQ(sheet.faults[1].row, 3);
  EXPECT_EQ(sheet.faults[1].column, "control sprouted");
}

TEST(RowRecords, RefusesASecondRowAboutAUnit) {
  const SheetRecords sheet =
      Made(std::string(kUnitHead) + "g1,s1,on,,04/03/2027,,,,\ng1,s1,off,,04/03/2027,,,,\n",
           kUnitMapping);
  ASSERT_EQ(sheet.faults.size(), 1U);
  EXPECT_EQ(sheet.faults[0].row, 3);
  EXPECT_THAT(sheet.faults[0].message, AllOf(HasSubstr("again"), HasSubstr("row 2")));
}

TEST(RowRecords, RefusesWhatTheProtocolLacks) {
  const SheetRecords sheet = Made(std::string(kUnitHead) +
                                      "g1,s1,half,,04/03/2027,,,,\n"
                                      "g1,s2,on,,04/03/2027,,,05/03/2027,stolen\n"
                                      "g1,s3,on,heavy,04/03/2027,,,,\n"
                                      "g1,s4,on,,04/03/2027,,,05/03/2027,\n"
                                      ",s5,on,,04/03/2027,,,,\n",
                                  kUnitMapping);
  ASSERT_EQ(sheet.faults.size(), 5U);
  EXPECT_EQ(sheet.faults[0].column, "arm");
  EXPECT_THAT(sheet.faults[0].message,
              AllOf(HasSubstr("\"half\""), HasSubstr("coat_off, coat_on")));
  EXPECT_EQ(sheet.faults[1].column, "cause");
  EXPECT_EQ(sheet.faults[2].column, "mass");
  EXPECT_THAT(sheet.faults[2].message, HasSubstr("not a number"));
  EXPECT_THAT(sheet.faults[3].message, HasSubstr("no cause"));
  EXPECT_THAT(sheet.faults[4].message, HasSubstr("no grower"));
}

TEST(RowRecords, FaultsRowsThatContradictEachOtherAboutAGrower) {
  std::string mapping = kUnitMapping;
  mapping += R"(columns { heading: "land" means: MEANS_ANSWER id: "country" })";
  const SheetRecords sheet = Made(
      "who,seed,arm,mass,sown,last look,up,lost,cause,land\n"
      "g1,s1,on,,04/03/2027,,,,,PT\ng1,s2,off,,04/03/2027,,,,,ES\ng1,s3,off,,04/03/2027,,,,,\n",
      mapping);
  ASSERT_EQ(sheet.faults.size(), 1U);
  EXPECT_EQ(sheet.faults[0].row, 3);
  EXPECT_EQ(sheet.faults[0].column, "land");
  EXPECT_THAT(sheet.faults[0].message, HasSubstr("otherwise than row 2"));
}

TEST(RowRecords, HidesNamesBehindPseudonyms) {
  std::string mapping = kPairMapping;
  mapping.replace(mapping.find("MEANS_GROWER }"), 14, "MEANS_GROWER id_form: ID_FORM_PSEUDONYM }");
  const SheetRecords sheet =
      Made(std::string(kPairHead) + "Invented Person,PT,05/03/2027,04/03/2027,,\n", mapping);
  ASSERT_FALSE(sheet.records.empty());
  EXPECT_THAT(sheet.records[0].record.grower(), ::testing::MatchesRegex("g-[0-9a-f]{12}"));
  for (const DraftRecord& draft : sheet.records) {
    EXPECT_EQ(draft.record.SerializeAsString().find("Invented"), std::string::npos);
  }
}

TEST(RowRecords, KnowsTheColumnBehindAField) {
  const SheetRecords sheet =
      Made(std::string(kUnitHead) + "g1,s1,on,0.25,04/03/2027,,20/03/2027,,\n", kUnitMapping);
  const DraftRecord& unit = sheet.records[2];
  EXPECT_EQ(unit.ColumnOf("happened_on"), "sown");
  EXPECT_EQ(unit.ColumnOf("unit_started.values[seed_mass].number.unit"), "mass");
  EXPECT_EQ(unit.ColumnOf("unit_started.arm"), "arm");
  EXPECT_EQ(unit.ColumnOf("block"), "");
}

TEST(CorrectionOf, NamesTheRecordAndGetsAnIdOfItsContent) {
  const SheetRecords sheet =
      Made(std::string(kPairHead) + "g1,PT,05/03/2027,05/03/2027,20/03/2027,\n", kPairMapping);
  intake::v1::Record record = sheet.records.back().record;
  const auto first = CorrectionOf(record, kStudy);
  EXPECT_EQ(first.corrected().corrects(), record.record_id());
  EXPECT_EQ(first.corrected().replacement().reached().threshold(), "sprout");
  EXPECT_EQ(first.corrected().replacement().record_id(), "");
  EXPECT_EQ(first.record_id(), CorrectionOf(record, kStudy).record_id());
  record.set_happened_on("2027-03-22");
  EXPECT_NE(first.record_id(), CorrectionOf(record, kStudy).record_id());
}

TEST(CheckMapping, NamesEverythingThatCanNotBeUsed) {
  const auto table = ParseTable("who,sown,up\ng1,04/03/2027,\n");
  const auto mapping = ParseMapping(R"txt(
    layout: LAYOUT_GROWER_ROWS
    columns { heading: "whom" means: MEANS_GROWER }
    columns { heading: "sown" means: MEANS_STARTED_ON arm: "husk" }
    columns { heading: "up" means: MEANS_REACHED_ON id: "rooted" arm: "coat_on" }
    columns { heading: "up" means: MEANS_ANSWER id: "shoot" }
    columns { heading: "up" means: MEANS_LOST_ON arm: "coat_on" }
  )txt",
                                    "m");
  ASSERT_TRUE(mapping.ok());
  const auto problems = CheckMapping(*mapping, *table, SampleProtocol());
  for (const char* part : {"the file has no column \"whom\"; it has: who, sown, up",
                           "no arm \"husk\"", "no threshold \"rooted\"", "date_order is missing",
                           "consent_version is missing", "MEANS_LOOKED_ON", "MEANS_LOSS_CAUSE"}) {
    EXPECT_THAT(problems, ::testing::Contains(HasSubstr(part))) << part;
  }
}

TEST(ParseMapping, NamesLineAndColumn) {
  const auto mapping =
      ParseMapping("layout: LAYOUT_UNIT_ROWS\ncolumns { headin: \"x\" }", "m.txtpb");
  ASSERT_FALSE(mapping.ok());
  EXPECT_THAT(std::string(mapping.status().message()), HasSubstr("m.txtpb:2:"));
}

TEST(RequestEnds, KeepsAGrowersRecordsTogether) {
  std::vector<DraftRecord> records(1500);
  for (size_t i = 0; i < records.size(); ++i) records[i].owner = "g" + std::to_string(i / 300);
  // Three growers of 300 fit into 1,000.
  EXPECT_THAT(RequestEnds(records), ElementsAre(900, 1500));
  for (DraftRecord& record : records) record.owner = "one";
  EXPECT_THAT(RequestEnds(records), ElementsAre(1000, 1500));
  EXPECT_THAT(RequestEnds({}), IsEmpty());
}

}  // namespace
}  // namespace plumule::cli
