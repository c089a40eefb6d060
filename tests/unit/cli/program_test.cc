// Runs the verbs as a user would, within this process: what goes to which stream, and what the exit
// status says. Plugins and servers are not needed here.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <map>
#include <sstream>
#include <string>

#include "absl/time/time.h"
#include "clients/cli/command/context.h"
#include "clients/cli/files.h"
#include "clients/cli/print/json.h"
#include "tests/unit/cli/sample_protocol.h"
#include "tests/unit/cli/sample_result.h"

namespace plumule::cli {
namespace {

using ::testing::AllOf;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

class Program : public ::testing::Test {
 protected:
  Program() {
    std::string pattern = (std::filesystem::temp_directory_path() / "plumule-cli-XXXXXX").string();
    folder_ = mkdtemp(pattern.data());
  }
  ~Program() override { std::filesystem::remove_all(folder_); }

  std::string Path(const std::string& name) const { return (folder_ / name).string(); }
  std::string File(const std::string& name, const std::string& content) const {
    std::ofstream(Path(name), std::ios::binary) << content;
    return Path(name);
  }
  std::string ProtocolFile() const {
    std::string text;
    google::protobuf::TextFormat::PrintToString(SampleProtocol(), &text);
    return File("coat.protocol.txtpb", text);
  }

  int Run(const std::vector<std::string>& arguments) {
    out_.str("");
    err_.str("");
    Context context{
        .out = out_,
        .err = err_,
        .progress = false,
        .environment = [this](const char* name) { return environment_[name]; },
        .now = [] { return absl::FromCivil(absl::CivilDay(2027, 7, 1), absl::UTCTimeZone()); },
        .program_folder = folder_.string()};
    return RunProgram(arguments, context);
  }

  std::filesystem::path folder_;
  std::map<std::string, std::string> environment_;
  std::ostringstream out_, err_;
};

TEST_F(Program, TeachesWithAnExampleInEveryHelp) {
  const std::vector<std::vector<std::string>> verbs = {{},
                                                       {"protocol", "check"},
                                                       {"community", "create"},
                                                       {"community", "list"},
                                                       {"key", "create"},
                                                       {"key", "list"},
                                                       {"key", "revoke"},
                                                       {"study", "create"},
                                                       {"study", "publish"},
                                                       {"study", "show"},
                                                       {"study", "list"},
                                                       {"study", "close"},
                                                       {"study", "freeze"},
                                                       {"study", "progress"},
                                                       {"study", "refused"},
                                                       {"study", "pending"},
                                                       {"study", "exclude"},
                                                       {"record", "send"},
                                                       {"import"},
                                                       {"analyze"},
                                                       {"pool"},
                                                       {"run"},
                                                       {"result", "show"},
                                                       {"result", "list"},
                                                       {"report"},
                                                       {"dataset", "export"},
                                                       {"verify"},
                                                       {"plugin", "list"}};
  for (std::vector<std::string> verb : verbs) {
    verb.push_back("--help");
    EXPECT_EQ(Run(verb), kDone) << verb[0];
    EXPECT_THAT(out_.str(), HasSubstr("Example:")) << verb[0];
    EXPECT_THAT(err_.str(), IsEmpty());
  }
}

TEST_F(Program, SaysThatACommandLineCanNotBeUsed) {
  EXPECT_EQ(Run({}), kUnusable);
  EXPECT_EQ(Run({"grow"}), kUnusable);
  EXPECT_EQ(Run({"protocol", "check"}), kUnusable);
  EXPECT_EQ(Run({"analyze", "--plugin", "x", "--units", "u.csv", "--format", "xml"}), kUnusable);
  EXPECT_THAT(out_.str(), IsEmpty());
}

TEST_F(Program, RefusesAKeyOnTheCommandLine) {
  EXPECT_EQ(Run({"study", "show", "a/b", "--server", "x:1", "--key", "plu_x_y"}), kUnusable);
  EXPECT_THAT(err_.str(), AllOf(HasSubstr("process lists"), HasSubstr("--key-file")));
  EXPECT_THAT(err_.str(), ::testing::Not(HasSubstr("plu_x_y")));
}

TEST_F(Program, SaysWhatIsMissingToReachAServer) {
  EXPECT_EQ(Run({"study", "show", "a/b"}), kUnusable);
  EXPECT_THAT(err_.str(), HasSubstr("PLUMULE_SERVER"));
  environment_["PLUMULE_SERVER"] = "127.0.0.1:1";
  EXPECT_EQ(Run({"study", "show", "a/b"}), kUnusable);
  EXPECT_THAT(err_.str(), HasSubstr("PLUMULE_KEY"));
  environment_["PLUMULE_KEY"] = "plu_a_b";
  EXPECT_EQ(Run({"study", "show", "nothing"}), kUnusable);
  EXPECT_THAT(err_.str(), HasSubstr("names no study"));
}

TEST_F(Program, ChecksAProtocolOffline) {
  const std::string good = ProtocolFile();
  EXPECT_EQ(Run({"protocol", "check", good}), kDone) << out_.str() << err_.str();
  EXPECT_THAT(out_.str(), HasSubstr("can be published"));
  EXPECT_EQ(Run({"protocol", "check", File("bad.txtpb", "language: \"en\"")}), kAnswerIsNo);
  EXPECT_THAT(out_.str(), HasSubstr("Do: "));
  EXPECT_EQ(Run({"protocol", "check", "--format", "json", File("bad.txtpb", "language: \"en\"")}),
            kAnswerIsNo);
  EXPECT_THAT(out_.str(), HasSubstr("\"problems\""));
  EXPECT_EQ(Run({"protocol", "check", File("torn.txtpb", "language: ")}), kUnusable);
  EXPECT_EQ(Run({"protocol", "check", Path("absent")}), kUnusable);
}

TEST_F(Program, ProposesAMappingOrSaysWhatTheFileLeavesOpen) {
  const std::string protocol = ProtocolFile();
  const std::string open =
      File("open.csv", "grower,control start,treatment start\ng1,03/04/2027,03/04/2027\n");
  EXPECT_EQ(Run({"import", open, "--propose", "--protocol", protocol}), kAnswerIsNo);
  EXPECT_THAT(out_.str(), IsEmpty());
  EXPECT_THAT(err_.str(), AllOf(HasSubstr("row 2"), HasSubstr("--dates")));
  EXPECT_EQ(Run({"import", open, "--propose", "--protocol", protocol, "--dates", "day_month_year"}),
            kDone);
  EXPECT_THAT(out_.str(), HasSubstr("DATE_ORDER_DAY_MONTH_YEAR"));
}

TEST_F(Program, TriesAFileByTheProtocolAlone) {
  const std::string protocol = ProtocolFile();
  const std::string sheet = File("s.csv",
                                 "grower,control start,treatment start,control sprouted\n"
                                 "g1,25/03/2027,25/03/2027,01/04/2027\n"
                                 "g2,25/03/2027,25/03/2027,early\n");
  ASSERT_EQ(
      Run({"import", sheet, "--propose", "--protocol", protocol, "--dates", "day_month_year"}),
      kDone)
      << err_.str();
  const std::string mapping = File("s.mapping.txtpb", out_.str());
  EXPECT_EQ(Run({"import", sheet, "--protocol", protocol, "--mapping", mapping, "--dry-run",
                 "--outcome", Path("rows.csv")}),
            kAnswerIsNo)
      << err_.str();
  EXPECT_THAT(out_.str(), AllOf(HasSubstr("nothing stored"), HasSubstr("1 refused")));
  const auto rows = ReadFile(Path("rows.csv"));
  ASSERT_TRUE(rows.ok());
  EXPECT_THAT(*rows, AllOf(HasSubstr("row,outcome,column,field,message,remedy\n2,taken"),
                           HasSubstr("\n3,refused,control sprouted,")));
}

TEST_F(Program, WritesAReportOfALocalResult) {
  const std::string result = File("r.json", ToJson(SampleResult().result()));
  EXPECT_EQ(Run({"report", result, "--out", Path("r.html"), "--protocol", ProtocolFile()}), kDone)
      << err_.str();
  const auto page = ReadFile(Path("r.html"));
  ASSERT_TRUE(page.ok());
  EXPECT_THAT(*page, HasSubstr("Seeds without their coat sprouted 9.1 days sooner."));
  EXPECT_EQ(Run({"report", File("x.json", "{\"a\":1}"), "--out", Path("x.html")}), kUnusable);
  EXPECT_FALSE(std::filesystem::exists(Path("x.html")));
}

TEST_F(Program, SaysWhereItLooksForPlugins) {
  EXPECT_EQ(Run({"plugin", "list", "--plugins", Path("absent")}), kUnusable);
  std::filesystem::create_directory(Path("none"));
  EXPECT_EQ(Run({"plugin", "list", "--plugins", Path("none")}), kDone);
  EXPECT_EQ(Run({"analyze", "--plugin", "x", "--units", "u.csv", "--plugins", Path("none")}),
            kUnusable);
  EXPECT_THAT(err_.str(), HasSubstr("no plugin \"x\"; installed: none"));
}

TEST_F(Program, ChecksAFileOfRecordsBeforeItSendsAny) {
  environment_["PLUMULE_SERVER"] = "127.0.0.1:1";
  environment_["PLUMULE_KEY"] = "plu_a_b";
  EXPECT_EQ(
      Run({"record", "send", File("r.jsonl", "{\"record_id\":\"x\"}\n{oops\n"), "--study", "a/b"}),
      kUnusable);
  EXPECT_THAT(err_.str(), HasSubstr("line 2"));
}

TEST(WriteSecretFile, IsForItsOwnerAloneAndReplacesNothing) {
  std::string pattern = (std::filesystem::temp_directory_path() / "plumule-key-XXXXXX").string();
  const std::filesystem::path folder = mkdtemp(pattern.data());
  const std::string path = (folder / "key").string();
  ASSERT_TRUE(WriteSecretFile(path, "secret").ok());
  struct stat status {};
  ASSERT_EQ(stat(path.c_str(), &status), 0);
  EXPECT_EQ(status.st_mode & 0777, 0600U);
  EXPECT_EQ(WriteSecretFile(path, "other").code(), absl::StatusCode::kAlreadyExists);
  EXPECT_EQ(*ReadFile(path), "secret");
  std::filesystem::remove_all(folder);
}

}  // namespace
}  // namespace plumule::cli
