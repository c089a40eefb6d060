#include "server/protocol/protocol_file.h"

#include <gtest/gtest.h>

#include <cstdio>
#include <fstream>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/time/clock.h"
#include "absl/time/time.h"
#include "server/protocol/reason.h"

namespace plumule::protocol {
namespace {

std::string TextError(absl::string_view text) {
  const absl::Status status = ParseProtocolText(text, "f.txtpb").status();
  EXPECT_EQ(ReasonOf(status), "protocol_unreadable") << status;
  return std::string(status.message());
}

std::string JsonError(absl::string_view text) {
  const absl::Status status = ParseProtocolJson(text, "f.json").status();
  EXPECT_EQ(ReasonOf(status), "protocol_unreadable") << status;
  return std::string(status.message());
}

TEST(ProtocolFile, ReadsTextFormatWithComments) {
  const auto read =
      ParseProtocolText("# A comment { with a brace\nlanguage: 'pt' # more {{\n", "f");
  ASSERT_TRUE(read.ok()) << read.status();
  EXPECT_EQ(read->language(), "pt");
}

TEST(ProtocolFile, NamesThePlaceAndTheNearestField) {
  EXPECT_EQ(TextError("language: \"en\"\narms {\n  lable { text: \"x\" }\n}\n"),
            "f.txtpb:3:9: \"lable\" is not a field of Arm; did you mean \"label\"?");
}

TEST(ProtocolFile, NamesTheNearestEnumValue) {
  const std::string error = TextError("arms {\n  role: ARM_ROLE_CONTROLL\n}\n");
  EXPECT_TRUE(absl::StartsWith(error, "f.txtpb:2:9: ")) << error;
  EXPECT_TRUE(absl::StrContains(error, "did you mean \"ARM_ROLE_CONTROL\"?")) << error;
}

TEST(ProtocolFile, SaysWhatIsExpected) {
  EXPECT_EQ(TextError("arms {\n  id \"x\"\n}\n"), "f.txtpb:2:6: Expected \":\", found \"\"x\"\"");
  EXPECT_TRUE(absl::StrContains(TextError("calendar { grace_days: \"x\" }"), "Expected integer"));
}

std::string Nested(int depth, absl::string_view open, absl::string_view close) {
  std::string text;
  for (int i = 0; i < depth; ++i) absl::StrAppend(&text, open);
  for (int i = 0; i < depth; ++i) absl::StrAppend(&text, close);
  return text;
}

TEST(ProtocolFile, RefusesDepthBeforeTheParserSeesIt) {
  EXPECT_TRUE(absl::StrContains(TextError(Nested(65, "a{", "}")), "f.txtpb:1:130: nested more"));
  EXPECT_TRUE(absl::StrContains(TextError(Nested(1'000'000, "a{", "}")), "nested more"));
  EXPECT_TRUE(absl::StrContains(TextError(Nested(1'000'000, "a<", ">")), "nested more"));
  EXPECT_TRUE(absl::StrContains(TextError(Nested(1'000'000, "[", "]")), "nested more"));
  // At the limit the parser itself answers.
  EXPECT_FALSE(absl::StrContains(TextError(Nested(64, "a{", "}")), "nested more"));
  // A closed or open string hides no depth.
  EXPECT_TRUE(
      absl::StrContains(TextError("language: 'a\n" + Nested(100'000, "a{", "}")), "nested"));
  EXPECT_TRUE(absl::StrContains(
      TextError("language: 'a\\'" + std::string("'\n") + Nested(100'000, "a{", "}")), "nested"));
}

TEST(ProtocolFile, RefusesHugeFiles) {
  EXPECT_TRUE(absl::StrContains(TextError(std::string(kLargestProtocolFile + 1, ' ')), "at most"));
  EXPECT_TRUE(ParseProtocolText(std::string(kLargestProtocolFile, ' '), "f").ok());
}

TEST(ProtocolFile, ReadsJsonInBothSpellings) {
  const auto read = ParseProtocolJson(
      R"({"language": "pt", "calendar": {"opensOn": "2027-03-01", "grace_days": 3}})", "f");
  ASSERT_TRUE(read.ok()) << read.status();
  EXPECT_EQ(read->calendar().opens_on(), "2027-03-01");
  EXPECT_EQ(read->calendar().grace_days(), 3);
}

TEST(ProtocolFile, NamesThePlaceAndTheNearestFieldInJson) {
  EXPECT_EQ(JsonError("{\n  \"arms\": [\n    {\"id\": \"a\"},\n    {\"lable\": {}}\n  ]\n}"),
            "f.json:4:6: \"lable\" is not a field of Arm; did you mean \"label\"?");
}

TEST(ProtocolFile, NamesThePlaceOfBrokenJson) {
  const std::string error = JsonError("{\n  \"language\": \"en\",\n}");
  EXPECT_TRUE(absl::StartsWith(error, "f.json:3:1: ")) << error;
}

TEST(ProtocolFile, NamesThePlaceOfAWrongTypeInJson) {
  const std::string error = JsonError("{\n  \"calendar\": {\n    \"grace_days\": \"soon\"}}");
  EXPECT_TRUE(absl::StartsWith(error, "f.json:3:5: ")) << error;
  EXPECT_TRUE(absl::StrContains(error, "soon")) << error;
}

TEST(ProtocolFile, RefusesARepeatedKeyInJson) {
  EXPECT_TRUE(absl::StrContains(JsonError(R"({"language": "en", "language": "pt"})"),
                                "f.json:1:20: \"language\" stands here a second time"));
}

TEST(ProtocolFile, RefusesDepthInJson) {
  EXPECT_TRUE(absl::StrContains(JsonError(Nested(1'000'000, "[", "]")), "nested more"));
  // Parameters hold values, choices and no deeper messages: deeper objects are unknown fields.
  EXPECT_TRUE(absl::StrContains(JsonError(Nested(300'000, "{\"arms\":", "}")), "not a field"));
}

// A file of the largest size, all of it members, is read in one pass.
TEST(ProtocolFile, ReadsLargeJsonInLinearTime) {
  std::string text = "{\"losses\":[";
  while (text.size() < kLargestProtocolFile - 100) text += "{\"id\":\"a\"},\n";
  text += "{}]}";
  const absl::Time start = absl::Now();
  const auto read = ParseProtocolJson(text, "f");
  ASSERT_TRUE(read.ok()) << read.status();
  EXPECT_GT(read->losses_size(), 300'000);
  // Quadratic work would take hours.
  EXPECT_LT(absl::Now() - start, absl::Seconds(60));
}

TEST(ProtocolFile, SaysThatAFileIsMissing) {
  EXPECT_EQ(ReasonOf(ReadProtocolFile("no/such/file.txtpb").status()), "file_not_found");
}

TEST(ProtocolFile, ChoosesTheLanguageByTheName) {
  const std::string path = absl::StrCat(::testing::TempDir(), "/plumule_protocol_file_test.json");
  std::ofstream(path) << R"({"language": "pt"})";
  const auto read = ReadProtocolFile(path);
  std::remove(path.c_str());
  ASSERT_TRUE(read.ok()) << read.status();
  EXPECT_EQ(read->language(), "pt");
}

}  // namespace
}  // namespace plumule::protocol
