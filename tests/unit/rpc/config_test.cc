#include "server/operate/config.h"

#include <gtest/gtest.h>

#include "server/protocol/reason.h"

namespace plumule::operate {
namespace {

std::variant<Config, EndNow> Read(std::vector<const char*> words) {
  words.insert(words.begin(), "plumule-server");
  return ReadCommandLine(static_cast<int>(words.size()), words.data(), "/opt/plumule/bin");
}

TEST(CommandLine, NeedsADataDirectory) {
  const auto read = Read({});
  ASSERT_TRUE(std::holds_alternative<EndNow>(read));
  EXPECT_EQ(std::get<EndNow>(read).exit_code, 2);
  EXPECT_NE(std::get<EndNow>(read).text.find("--data"), std::string::npos);
}

TEST(CommandLine, ListensOnLoopbackUnlessToldOtherwise) {
  const auto read = Read({"--data", "d"});
  ASSERT_TRUE(std::holds_alternative<Config>(read));
  EXPECT_EQ(std::get<Config>(read).listen, "127.0.0.1:7413");
  EXPECT_EQ(std::get<Config>(read).plugin_directory, "/opt/plumule/plugins");
}

TEST(CommandLine, RefusesWhatItDoesNotKnow) {
  EXPECT_EQ(std::get<EndNow>(Read({"--data", "d", "--colour"})).exit_code, 2);
  EXPECT_EQ(std::get<EndNow>(Read({"--data", "d", "--log-format", "xml"})).exit_code, 2);
  EXPECT_EQ(std::get<EndNow>(Read({"--version"})).exit_code, 0);
}

TEST(Loopback, IsTheOwnMachineOnly) {
  for (const char* own : {"127.0.0.1:1", "127.9.9.9:0", "localhost:7413", "[::1]:7413"}) {
    EXPECT_TRUE(IsLoopback(own)) << own;
  }
  for (const char* other :
       {"0.0.0.0:1", "[::]:1", "192.0.2.1:1", "example.org:1", "128.0.0.1:1", "127.example.org:1",
        "127.0.0.1.example.org:1", "::1:7413", "7413", ""}) {
    EXPECT_FALSE(IsLoopback(other)) << other;
  }
}

TEST(CheckAddress, RefusesAnExposedAddressWithTheReasonUnlessAllowed) {
  Config config;
  config.listen = "0.0.0.0:7413";
  const absl::Status refused = CheckAddress(config);
  EXPECT_EQ(ReasonOf(refused), "address_exposed");
  EXPECT_NE(std::string(refused.message()).find("--allow-exposed"), std::string::npos);
  config.allow_exposed = true;
  EXPECT_TRUE(CheckAddress(config).ok());
  config.listen = "nonsense";
  EXPECT_EQ(ReasonOf(CheckAddress(config)), "address_not_valid");
}

}  // namespace
}  // namespace plumule::operate
