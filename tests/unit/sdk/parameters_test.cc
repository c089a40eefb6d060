#include "plugins/sdk/parameters.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "plugins/sdk/plugin.h"

namespace plumule::sdk {
namespace {

using ::testing::HasSubstr;

constexpr char kManifest[] = R"({
  "id": "example", "version": "1.0.0", "executable": "example", "protocolVersions": ["1"],
  "parameters": [
    {"variable": {"id": "days", "number": {"unit": "d", "hardMin": 1, "hardMax": 90}},
     "defaultValue": {"number": {"value": 30}}},
    {"variable": {"id": "ties", "choice": {"options": [{"code": "exact"}, {"code": "efron"}]}},
     "defaultValue": {"choice": {"codes": ["exact"]}}},
    {"variable": {"id": "rounds", "count": {"hardMax": 100}}},
    {"variable": {"id": "quick", "yesNo": {}}}
  ]})";

plugin::v1::Manifest Manifest() { return *ParseManifest(kManifest); }

study::v1::Parameter* Add(ParameterList& list, const std::string& name) {
  auto* parameter = list.Add();
  parameter->set_name(name);
  return parameter;
}

std::string ProblemOf(const ParameterList& list) {
  return std::string(Parameters::Make(Manifest(), list).status().message());
}

TEST(Parameters, TakeTheManifestsDefaults) {
  const auto parameters = Parameters::Make(Manifest(), {});
  ASSERT_TRUE(parameters.ok());
  EXPECT_EQ(parameters->Number("days"), 30);
  EXPECT_EQ(parameters->Choice("ties"), "exact");
  EXPECT_EQ(parameters->Count("rounds"), std::nullopt);
  EXPECT_EQ(parameters->YesNo("quick"), std::nullopt);
}

TEST(Parameters, GivenValuesReplaceDefaults) {
  ParameterList list;
  Add(list, "days")->mutable_value()->mutable_number()->set_value(12);
  Add(list, "ties")->mutable_value()->mutable_choice()->add_codes("efron");
  Add(list, "rounds")->mutable_value()->set_count(5);
  Add(list, "quick")->mutable_value()->set_yes_no(true);
  const auto parameters = Parameters::Make(Manifest(), list);
  ASSERT_TRUE(parameters.ok()) << parameters.status();
  EXPECT_EQ(parameters->Number("days"), 12);
  EXPECT_EQ(parameters->Choice("ties"), "efron");
  EXPECT_EQ(parameters->Count("rounds"), 5);
  EXPECT_EQ(parameters->YesNo("quick"), true);
}

TEST(Parameters, EveryProblemIsSaidAtOnce) {
  ParameterList list;
  Add(list, "speed")->mutable_value()->set_count(1);
  Add(list, "days")->mutable_value()->mutable_number()->set_value(500);
  Add(list, "ties")->mutable_value()->mutable_choice()->add_codes("none");
  Add(list, "rounds")->mutable_value()->set_yes_no(true);
  const std::string words = ProblemOf(list);
  EXPECT_THAT(words, HasSubstr("parameter speed: is no parameter of example; it has days, ties, "
                               "rounds and quick"));
  EXPECT_THAT(words, HasSubstr("parameter days: is 500; the most allowed is 90"));
  EXPECT_THAT(words, HasSubstr("parameter ties: is \"none\"; it must be one of: exact, efron"));
  EXPECT_THAT(words, HasSubstr("parameter rounds: needs a whole number"));
}

TEST(Parameters, AnotherUnitIsRefused) {
  ParameterList list;
  auto* number = Add(list, "days")->mutable_value()->mutable_number();
  number->set_value(2);
  number->set_unit("wk");
  EXPECT_THAT(ProblemOf(list), HasSubstr("give it in \"d\""));
}

TEST(Parameters, TheSameParameterTwiceIsRefused) {
  ParameterList list;
  Add(list, "days")->mutable_value()->mutable_number()->set_value(2);
  Add(list, "days")->mutable_value()->mutable_number()->set_value(3);
  EXPECT_THAT(ProblemOf(list), HasSubstr("given more than once"));
}

TEST(Manifest, LacksNothingThatTheHostNeeds) {
  EXPECT_FALSE(ParseManifest("{").ok());
  EXPECT_FALSE(ParseManifest(R"({"id": "example"})").ok());
  EXPECT_FALSE(ParseManifest(R"({"unknown": 1})").ok());
}

}  // namespace
}  // namespace plumule::sdk
