// What is wrong with a record in itself.
#include <gtest/gtest.h>

#include "tests/unit/intake/placed_pair.h"

namespace plumule::intake {
namespace {

class Envelope : public testing::Test {
 protected:
  v1::Record Look() {
    return study_.make.Observed("b", "c", "2027-03-12", {Number("shoot", 1, "mm")});
  }
  std::string Problems(const v1::Record& record) { return Short(study_.Judge(record)); }

  OpenStudy study_;
};

TEST_F(Envelope, NeedsAUuidInLowerCase) {
  for (const char* id :
       {"", "1", "00000000-0000-4000-8000-00000000000A", "00000000x0000-4000-8000-000000000001",
        "00000000-0000-4000-8000-0000000000001"}) {
    v1::Record record = study_.make.Joined("g");
    record.set_record_id(id);
    EXPECT_EQ(Problems(record), "refused record_id:record_id_not_valid") << id;
  }
}

TEST_F(Envelope, NeedsTheIdsOfItsPlace) {
  v1::Record look = Look();
  look.clear_block();
  look.clear_unit();
  EXPECT_EQ(Problems(look), "refused block:id_missing unit:id_missing");
  v1::Record block = study_.make.BlockStarted("g", "b");
  block.clear_grower();
  block.clear_block();
  EXPECT_EQ(Problems(block), "refused grower:id_missing block:id_missing");
}

TEST_F(Envelope, TakesIdsOfOneTo64PlainCharacters) {
  study_.Take({study_.make.Joined(std::string(64, 'a')), study_.make.Joined("A-z_0.9")});
  for (const std::string& id : {std::string(65, 'a'), std::string("a b"), std::string("ä"),
                                std::string("a/b"), std::string("a\0b", 3)}) {
    EXPECT_EQ(Problems(study_.make.Joined(id)), "refused grower:id_not_valid");
  }
}

TEST_F(Envelope, NeedsAFact) {
  v1::Record record = study_.make.Joined("g");
  record.clear_joined();
  EXPECT_EQ(Problems(record), "refused fact:fact_missing");
}

TEST_F(Envelope, NamesTheDayAndItsFault) {
  v1::Record record = study_.make.Joined("g");
  record.set_happened_on("");
  EXPECT_EQ(Problems(record), "refused happened_on:date_missing");
  record.set_happened_on("2027-02-30");
  EXPECT_EQ(Problems(record), "refused happened_on:date_impossible");
  record.set_happened_on("2027-03-01");
  record.set_written_on("yesterday");
  EXPECT_EQ(study_.Judge(record).problems(0).field(), "written_on");
}

TEST_F(Envelope, HoldsTextsToTheirLengthsInCharacters) {
  study_.StartPair();
  v1::Record lost = study_.make.Lost("b", "c", "eaten", "2027-03-12");
  std::string note;
  for (int i = 0; i < 500; ++i) note += "ä";
  lost.mutable_lost()->set_note(note + "ä");
  lost.mutable_client()->set_program(std::string(65, 'p'));
  lost.mutable_client()->set_version(std::string(33, '1'));
  EXPECT_EQ(Problems(lost),
            "refused client.program:text_too_long client.version:text_too_long "
            "lost.note:text_too_long");
  lost.mutable_lost()->set_note(note);
  lost.mutable_client()->set_program(std::string(64, 'p'));
  lost.mutable_client()->set_version(std::string(32, '1'));
  EXPECT_EQ(Problems(lost), "taken");
}

TEST_F(Envelope, RefusesARecordOfMoreThan64KiBAndDoesNotKeepIt) {
  v1::Record record = study_.make.Joined("g");
  std::string* program = record.mutable_client()->mutable_program();
  *program = std::string(65'000, 'p');
  *program += std::string(kMostRecordBytes - record.ByteSizeLong(), 'p');
  ASSERT_EQ(record.ByteSizeLong(), kMostRecordBytes);
  EXPECT_EQ(Problems(record), "refused client.program:text_too_long");
  record.set_record_id(study_.make.NextId());
  program->push_back('p');
  EXPECT_EQ(Problems(record), "refused :record_too_large");
  EXPECT_EQ(study_.Refused(), 1);
}

TEST_F(Envelope, AReplacementHasNoEnvelopeOfItsOwn) {
  study_.StartPair();
  const v1::Record look = Look();
  study_.Take({look});
  v1::Record correction = study_.make.Corrected(look, Look());
  correction.mutable_corrected()->mutable_replacement()->set_protocol_revision(1);
  EXPECT_EQ(Problems(correction), "refused corrected.replacement:replacement_envelope");
  correction = study_.make.Corrected(look, Look());
  correction.mutable_corrected()->mutable_replacement()->mutable_corrected();
  EXPECT_EQ(study_.Judge(correction).problems(0).reason(), "fact_not_correctable");
  correction = study_.make.Withdrawn(look);
  correction.mutable_corrected()->set_corrects("it");
  EXPECT_EQ(Problems(correction), "refused corrected.corrects:record_id_not_valid");
}

TEST_F(Envelope, APhotoNamesADigest) {
  study_.StartPair();
  v1::Record photo = Look();
  photo.mutable_photo_added()->set_digest(std::string(64, 'A'));
  EXPECT_EQ(Problems(photo), "refused photo_added.digest:photo_digest_malformed");
  photo.mutable_photo_added()->set_digest(std::string(64, 'a'));
  EXPECT_EQ(Problems(photo), "taken");
}

TEST_F(Envelope, AReportSaysAnEarlierDayForNotYet) {
  study_.StartPair();
  EXPECT_EQ(Problems(study_.make.Reached("b", "c", "rooted", "2027-03-14", "2027-03-14")),
            "refused reached.not_yet_on:not_yet_too_late");
  EXPECT_EQ(Problems(study_.make.Reached("b", "c", "grown", "2027-03-14")),
            "refused reached.threshold:threshold_unknown");
  EXPECT_EQ(Problems(study_.make.Reached("b", "c", "rooted", "2027-03-14", "2027-03-09")),
            "refused reached.not_yet_on:before_start");
  EXPECT_EQ(Problems(study_.make.Reached("b", "c", "rooted", "2027-03-14", "2027-03-13")), "taken");
  EXPECT_EQ(Problems(study_.make.Reached("b", "c", "rooted", "2027-03-15")),
            "refused reached.threshold:already_reported");
}

TEST_F(Envelope, AThresholdMayBeForSomeArmsOnly) {
  study_.StartPair();
  study_.Take({study_.make.UnitStarted("b", "l", "low", "2027-03-10")});
  EXPECT_EQ(Problems(study_.make.Reached("b", "l", "visible", "2027-03-14")),
            "refused reached.threshold:threshold_not_for_arm");
  study_.Take({study_.make.Reached("b", "c", "visible", "2027-03-14")});
}

TEST_F(Envelope, AGrowerThatIsNamedOwnsTheBlock) {
  study_.StartPair();
  study_.Take({study_.make.Joined("other")});
  v1::Record look = Look();
  look.set_grower("other");
  EXPECT_EQ(Problems(look), "refused grower:block_of_another_grower");
  EXPECT_EQ(Problems(study_.make.BlockStarted("other", "b")),
            "refused block:block_of_another_grower");
  look.set_grower("g");
  EXPECT_EQ(Problems(look), "taken");
}

}  // namespace
}  // namespace plumule::intake
