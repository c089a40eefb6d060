// The protocols in examples/protocols are what they say: complete, and free of problems.
#include <gtest/gtest.h>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "google/protobuf/util/json_util.h"
#include "server/protocol/check.h"
#include "server/protocol/compiled_protocol.h"
#include "server/protocol/protocol_file.h"

namespace plumule::protocol {
namespace {

class Example : public ::testing::TestWithParam<const char*> {
 protected:
  void SetUp() override {
    absl::StatusOr<study::v1::Protocol> read = ReadProtocolFile(
        absl::StrCat(PLUMULE_EXAMPLE_PROTOCOLS, "/", GetParam(), ".protocol.txtpb"));
    ASSERT_TRUE(read.ok()) << read.status();
    definition_ = *std::move(read);
  }
  study::v1::Protocol definition_;
};

// Growers choose in the examples, so that made-up records can come without an allocation first.
TEST_P(Example, HasNoProblemsAndIsAdvisedOfNothingButRandomAllocation) {
  const std::vector<study::v1::Problem> problems = Check(definition_);
  EXPECT_TRUE(CanBePublished(problems));
  for (const study::v1::Problem& problem : problems) {
    EXPECT_EQ(problem.reason(), "allocation_not_random") << problem.ShortDebugString();
  }
}

TEST_P(Example, SaysThatItIsInvented) {
  EXPECT_TRUE(
      absl::StrContains(definition_.words().background().text(), "Invented for demonstration."));
}

TEST_P(Example, CompilesAndFindsItsOwnIds) {
  const auto compiled = Compile(definition_, 1);
  ASSERT_TRUE(compiled.ok()) << compiled.status();
  for (int i = 0; i < definition_.variables_size(); ++i) {
    EXPECT_EQ((*compiled)->FindVariable(definition_.variables(i).id()), i);
  }
  for (int i = 0; i < definition_.losses_size(); ++i) {
    EXPECT_EQ((*compiled)->FindLoss(definition_.losses(i).id()), i);
  }
  EXPECT_EQ((*compiled)->FindVariable("nothing"), kNone);
}

TEST_P(Example, IsTheSameInJson) {
  std::string json;
  ASSERT_TRUE(google::protobuf::util::MessageToJsonString(definition_, &json).ok());
  const auto read = ParseProtocolJson(json, "example.json");
  ASSERT_TRUE(read.ok()) << read.status();
  EXPECT_EQ(read->SerializeAsString(), definition_.SerializeAsString());
}

INSTANTIATE_TEST_SUITE_P(Protocols, Example,
                         ::testing::Values("seed_coat", "water_or_mix", "rooting_hormone"),
                         [](const auto& name) { return std::string(name.param); });

}  // namespace
}  // namespace plumule::protocol
