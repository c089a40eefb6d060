#include "clients/cli/local/study_file.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <string>

namespace plumule::cli {
namespace {

using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

std::vector<std::string> Problems(const std::string& csv) {
  const auto table = ParseTable(csv);
  ProblemList problems;
  const bool read = ReadStudies(*table, '.', &problems).has_value();
  EXPECT_EQ(read, problems.empty());
  return problems.Lines();
}

StudyFile Read(const std::string& csv) {
  const auto table = ParseTable(csv);
  ProblemList problems;
  auto file = ReadStudies(*table, '.', &problems);
  EXPECT_THAT(problems.Lines(), IsEmpty());
  return file ? *std::move(file) : StudyFile{};
}

TEST(StudyFile, ReadsEffectsWithVariancesGroupsAndModerators) {
  const StudyFile file = Read(
      "study,effect,variance,group,latitude,remark\n"
      "a,-0.5,0.04,north,52,x\nb,0.25,0.01,south,,y\n");
  ASSERT_EQ(file.studies.size(), 2U);
  EXPECT_EQ(file.studies[0].effect(), -0.5);
  EXPECT_EQ(file.studies[0].variance(), 0.04);
  EXPECT_EQ(file.studies[0].group(), "north");
  ASSERT_EQ(file.studies[0].moderators_size(), 1);
  EXPECT_EQ(file.studies[0].moderators(0).name(), "latitude");
  EXPECT_EQ(file.studies[1].moderators_size(), 0);
  EXPECT_THAT(file.notes, ElementsAre(HasSubstr("remark")));
}

TEST(StudyFile, SquaresStandardErrors) {
  EXPECT_EQ(Read("study,effect,standard_error\na,1,0.5\n").studies[0].variance(), 0.25);
}

TEST(StudyFile, ReadsCounts) {
  const StudyFile file =
      Read("study,events_treated,n_treated,events_control,n_control\na,4,123,11,139\n");
  EXPECT_TRUE(file.counts);
  EXPECT_EQ(file.studies[0].counts().n_control(), 139);
  EXPECT_FALSE(file.studies[0].has_effect());
}

TEST(StudyFile, NamesMissingAndContradictoryColumns) {
  EXPECT_THAT(Problems("study,variance\na,1\n"), ElementsAre(HasSubstr("\"effect\" is missing")));
  EXPECT_THAT(Problems("study,effect\na,1\n"), ElementsAre(HasSubstr("\"variance\"")));
  EXPECT_THAT(Problems("study,effect,variance,standard_error\na,1,1,1\n"),
              ElementsAre(HasSubstr("keep one of them")));
  EXPECT_THAT(Problems("study,events_treated,n_treated\na,1,2\n"),
              ElementsAre(HasSubstr("\"events_control\" is missing"),
                          HasSubstr("\"n_control\" is missing")));
  EXPECT_THAT(Problems("effect,variance\n1,1\n"), ElementsAre(HasSubstr("\"study\" is missing")));
}

TEST(StudyFile, NamesRowAndColumnOfEveryWrongCell) {
  EXPECT_THAT(
      Problems("study,effect,variance\na,x,1\nb,1,0\nb,1,-2\n,1,1\nc,\"0,5\",1\nd,,1\n"),
      ElementsAre(HasSubstr("row 2, column \"effect\" (B): \"x\" is not a number"),
                  HasSubstr("row 3, column \"variance\" (C): \"0\" can't be a variance"),
                  HasSubstr("row 4, column \"study\" (A): \"b\" is in row 3 already"),
                  HasSubstr("row 4, column \"variance\" (C)"),
                  HasSubstr("row 5, column \"study\" (A): is empty"),
                  HasSubstr("row 6, column \"effect\" (B): \"0,5\" is written with another"),
                  HasSubstr("row 7, column \"effect\" (B): is empty")));
  EXPECT_THAT(
      Problems("study,events_treated,n_treated,events_control,n_control\n"
               "a,5,4,1,2\nb,1.5,4,1,2\nc,0,0,1,2\n"),
      ElementsAre(HasSubstr("row 2, column \"events_treated\" (B): 5 is more than n_treated, 4"),
                  HasSubstr("row 3, column \"events_treated\" (B): \"1.5\" is not a count"),
                  HasSubstr("row 4, column \"n_treated\" (C): is 0")));
}

TEST(StudyFile, TakesWholeNumbersThatAreWrittenWithAFraction) {
  EXPECT_THAT(Problems("study,events_treated,n_treated,events_control,n_control\na,5.0,9.0,1,2\n"),
              ElementsAre());
}

TEST(StudyFile, NamesWrongCellsBesideARaggedRow) {
  EXPECT_THAT(Problems("study,effect,variance\na,1,1,9\nb,x,1\n"),
              ElementsAre(HasSubstr("row 2: has 4 cells"),
                          HasSubstr("row 3, column \"effect\" (B): \"x\" is not a number")));
}

}  // namespace
}  // namespace plumule::cli
