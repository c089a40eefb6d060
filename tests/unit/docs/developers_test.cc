// DEVELOPERS.md lists every stable reason, so that programs can rely on them.
#include <filesystem>
#include <fstream>
#include <regex>
#include <set>
#include <sstream>
#include <string>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "gtest/gtest.h"
#include "server/protocol/check_reasons.h"
#include "server/protocol/field_reasons.h"

namespace plumule {
namespace {

std::string ReadFile(const std::filesystem::path& path) {
  std::ifstream in(path);
  return (std::ostringstream() << in.rdbuf()).str();
}

std::string Developers() { return ReadFile(std::string(PLUMULE_SOURCE) + "/DEVELOPERS.md"); }

// Reasons that the sources under `folder` give to `call` as its second argument.
std::set<std::string> ReasonsGivenTo(const std::string& call, const std::string& folder) {
  std::set<std::string> reasons;
  const std::regex pattern(call + "\\([^,]*,\\s*\"([a-z]+(?:_[a-z]+)+)\"");
  for (const auto& file :
       std::filesystem::recursive_directory_iterator(std::string(PLUMULE_SOURCE) + "/" + folder)) {
    if (file.path().extension() != ".cc") continue;
    const std::string text = ReadFile(file.path());
    for (std::sregex_iterator it(text.begin(), text.end(), pattern), end; it != end; ++it) {
      reasons.insert((*it)[1].str());
    }
  }
  return reasons;
}

TEST(Developers, ListsEveryReasonOfAProtocolCheck) {
  const std::string text = Developers();
  for (const protocol::CheckReason& row : protocol::kCheckReasons) {
    const std::string line =
        absl::StrCat("| `", std::string(row.reason), "` | ", row.advice ? "advice" : "problem",
                     " | ", std::string(row.when), " |\n");
    EXPECT_TRUE(absl::StrContains(text, line)) << "missing or different:\n" << line;
  }
}

TEST(Developers, ListsEveryReasonOfARefusedValue) {
  const std::string text = Developers();
  for (const protocol::FieldReason& row : protocol::kFieldReasons) {
    const std::string line =
        absl::StrCat("| `", std::string(row.reason), "` | ", std::string(row.when), " |\n");
    EXPECT_TRUE(absl::StrContains(text, line)) << "missing or different:\n" << line;
  }
}

TEST(Developers, ListsEveryReasonOfAFailedCall) {
  const std::string text = Developers();
  const std::set<std::string> reasons = ReasonsGivenTo("ReasonedError", "server");
  EXPECT_GT(reasons.size(), 30u);
  for (const std::string& reason : reasons) {
    EXPECT_TRUE(absl::StrContains(text, absl::StrCat("| `", reason, "` |"))) << reason;
  }
}

TEST(Developers, ListsEveryReasonOfARefusedRecord) {
  const std::string text = Developers();
  std::set<std::string> reasons = ReasonsGivenTo("Refuse", "server/intake");
  reasons.merge(ReasonsGivenTo("AddProblem", "server/intake"));
  EXPECT_GT(reasons.size(), 25u);
  for (const std::string& reason : reasons) {
    EXPECT_TRUE(absl::StrContains(text, absl::StrCat("| `", reason, "` |"))) << reason;
  }
}

}  // namespace
}  // namespace plumule
