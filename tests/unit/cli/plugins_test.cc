// Runs the program itself, with the plugins that are built beside it, on small tables.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/wait.h>

#include <array>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>

#include "clients/cli/exit_code.h"
#include "clients/cli/print/json.h"

namespace plumule::cli {
namespace {

using ::testing::AllOf;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

class ProgramWithPlugins : public ::testing::Test {
 protected:
  ProgramWithPlugins() {
    std::string pattern = (std::filesystem::temp_directory_path() / "plumule-run-XXXXXX").string();
    folder_ = mkdtemp(pattern.data());
  }
  ~ProgramWithPlugins() override { std::filesystem::remove_all(folder_); }

  std::string File(const std::string& name, const std::string& content) const {
    const std::string path = (folder_ / name).string();
    std::ofstream(path, std::ios::binary) << content;
    return path;
  }

  // Runs `plumule ARGUMENTS`; gives its exit status.
  int Run(const std::string& arguments) {
    const std::string errors = (folder_ / "stderr").string();
    const std::string command = std::string(PLUMULE_PROGRAM) + " " + arguments + " --plugins " +
                                PLUMULE_PLUGINS_BUILT + " 2>" + errors;
    out_.clear();
    FILE* pipe = popen(command.c_str(), "r");
    std::array<char, 4096> buffer;
    size_t got = 0;
    while ((got = fread(buffer.data(), 1, buffer.size(), pipe)) > 0)
      out_.append(buffer.data(), got);
    const int status = pclose(pipe);
    std::stringstream text;
    text << std::ifstream(errors).rdbuf();
    err_ = text.str();
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  }

  // Six blocks with a unit of each arm; the treatment is two days sooner throughout. Invented.
  std::string Units() const {
    std::string csv = "block,unit,arm,up_lower,up_upper,up_status\n";
    for (int block = 1; block <= 6; ++block) {
      const std::string day = std::to_string(10 + block), sooner = std::to_string(8 + block);
      const std::string name = "b" + std::to_string(block);
      csv += name + ",u1,control," + day + "," + day + ",reached\n";
      csv += name + ",u2,coat_off," + sooner + "," + sooner + ",reached\n";
    }
    return File("units.csv", csv);
  }

  std::filesystem::path folder_;
  std::string out_, err_;
};

TEST_F(ProgramWithPlugins, AnalyzesALocalTable) {
  ASSERT_EQ(Run("analyze --plugin time-to-threshold --units " + Units() + " --format json"), kDone)
      << err_;
  EXPECT_THAT(err_, IsEmpty());
  const auto stored = ParseResultJson(out_);
  ASSERT_TRUE(stored.ok()) << stored.status();
  const auto& estimates = stored->result().estimates();
  ASSERT_FALSE(estimates.empty());
  EXPECT_EQ(estimates[0].measure(), "restricted_mean_difference");
  EXPECT_EQ(estimates[0].arm(), "coat_off");
  EXPECT_EQ(estimates[0].against(), "control");
  // Up to day 14, the smaller of the arms' last days: (9+10+11+12+13+14)/6 − (11+12+13+14+14+14)/6.
  EXPECT_NEAR(estimates[0].value(), 11.5 - 13, 1e-12);
  ASSERT_EQ(Run("analyze --plugin time-to-threshold --units " + Units()), kDone);
  EXPECT_THAT(out_, HasSubstr("sooner"));
}

TEST_F(ProgramWithPlugins, GivesTheSameBytesTwice) {
  const std::string command =
      "analyze --plugin time-to-threshold --units " + Units() + " --format json";
  ASSERT_EQ(Run(command), kDone);
  const std::string first = out_;
  ASSERT_EQ(Run(command), kDone);
  EXPECT_EQ(out_, first);
}

TEST_F(ProgramWithPlugins, ReadsSettingsAsTheManifestTypesThem) {
  const std::string analyze = "analyze --plugin time-to-threshold --units " + Units();
  EXPECT_EQ(Run(analyze + " --set horizon=12"), kUnusable);
  EXPECT_THAT(err_, AllOf(HasSubstr("no such parameter"), HasSubstr("horizon_days")));
  EXPECT_EQ(Run(analyze + " --set ties=often"), kUnusable);
  EXPECT_THAT(err_, HasSubstr("one of exact, efron, breslow"));
  EXPECT_EQ(Run(analyze + " --set horizon_days=long"), kUnusable);
  EXPECT_EQ(Run(analyze + " --margin 3"), kUnusable);
  EXPECT_THAT(err_, HasSubstr("like 3d"));
  EXPECT_EQ(Run(analyze + " --level 95"), kUnusable);
  ASSERT_EQ(Run(analyze + " --set horizon_days=12 --set level=0.9 --margin 1d --format json"),
            kDone)
      << err_;
  const auto stored = ParseResultJson(out_);
  ASSERT_TRUE(stored.ok());
  EXPECT_EQ(stored->result().estimates(0).at(), 12);
  EXPECT_EQ(stored->result().estimates(0).level(), 0.9);
}

TEST_F(ProgramWithPlugins, NamesEveryCellThatIsUnusable) {
  const std::string file =
      File("bad.csv",
           "block,unit,arm,up_lower,up_upper,up_status\nb1,u1,control,x,5,reached\n"
           "b1,u2,off,0,,gone\n");
  EXPECT_EQ(Run("analyze --plugin time-to-threshold --units " + file), kUnusable);
  EXPECT_THAT(out_, IsEmpty());
  EXPECT_THAT(err_, AllOf(HasSubstr("row 2, column \"up_lower\" (D)"),
                          HasSubstr("row 3, column \"up_status\" (F)")));
}

const std::string kPlan = std::string("plan ") + PLUMULE_EXAMPLES +
                          "/protocols/water_or_mix.protocol.txtpb --replicates 100 ";

TEST_F(ProgramWithPlugins, PlansAStudyFromItsDefinition) {
  ASSERT_EQ(Run(kPlan + "--format json"), kDone) << err_;
  const auto stored = ParseResultJson(out_);
  ASSERT_TRUE(stored.ok()) << stored.status();
  double blocks = 0;
  for (const auto& estimate : stored->result().estimates()) {
    if (estimate.measure() == "blocks_for_power" &&
        estimate.method() == "restricted_mean_by_formula")
      blocks = estimate.value();
  }
  ASSERT_GT(blocks, 20);

  // More power needs more blocks; an effect half as large about four times as many.
  const auto needed = [&](const std::string& options) {
    EXPECT_EQ(Run(kPlan + "--format json " + options), kDone) << err_;
    const auto other = ParseResultJson(out_);
    for (const auto& estimate : other->result().estimates()) {
      if (estimate.measure() == "blocks_for_power" &&
          estimate.method() == "restricted_mean_by_formula")
        return estimate.value();
    }
    return 0.0;
  };
  EXPECT_GT(needed("--power 90%"), 1.2 * blocks);
  EXPECT_NEAR(needed("--expect sooner_days=1"), 4 * blocks, 0.3 * blocks);
}

TEST_F(ProgramWithPlugins, SaysWhatANumberOfBlocksCanShowAndWritesItDown) {
  const std::string page = (folder_ / "plan.html").string();
  ASSERT_EQ(Run(kPlan + "--blocks 60 --expect never_share=30% --report " + page), kDone) << err_;
  EXPECT_THAT(out_, AllOf(HasSubstr("with 60 blocks"), HasSubstr("30 of 100 cuttings")));
  std::stringstream text;
  text << std::ifstream(page).rdbuf();
  EXPECT_THAT(text.str(), AllOf(HasSubstr("What the plan says"), HasSubstr("How many blocks")));
}

TEST_F(ProgramWithPlugins, ListsAndChecksWhatAPlanMayBeTold) {
  ASSERT_EQ(Run(kPlan + "--expectations"), kDone) << err_;
  EXPECT_THAT(out_, AllOf(HasSubstr("control_days"), HasSubstr("Where nothing is stated")));
  EXPECT_EQ(Run(kPlan + "--expect soner_days=2"), kUnusable);
  EXPECT_THAT(err_, AllOf(HasSubstr("soner_days"), HasSubstr("sooner_days")));
  EXPECT_EQ(Run(kPlan + "--expect never_share=120%"), kUnusable);
  EXPECT_THAT(err_, HasSubstr("never_share"));
  EXPECT_EQ(Run(kPlan + "--expect sooner_days"), kUnusable);
  EXPECT_EQ(Run(kPlan + "--power 1.2"), kUnusable);
  EXPECT_THAT(err_, HasSubstr("0.8 or 80%"));
  EXPECT_EQ(Run(kPlan + "--blocks many"), kUnusable);
  EXPECT_THAT(err_, HasSubstr("whole number"));
  EXPECT_EQ(Run(kPlan + "--analysis none"), kUnusable);
  EXPECT_THAT(err_, HasSubstr("choose one with --analysis"));
  EXPECT_EQ(Run("plan " + File("none.protocol.txtpb", "")), kUnusable);
}

TEST_F(ProgramWithPlugins, PlansTheSameBytesTwice) {
  ASSERT_EQ(Run(kPlan + "--blocks 40 --format json"), kDone);
  const std::string first = out_;
  ASSERT_EQ(Run(kPlan + "--blocks 40 --format json"), kDone);
  EXPECT_EQ(out_, first);
}

TEST_F(ProgramWithPlugins, PoolsLocalStudies) {
  const std::string counts = File("s.csv",
                                  "study,events_treated,n_treated,events_control,n_control\n"
                                  "a,4,123,11,139\nb,6,306,29,303\nc,3,231,11,220\n");
  EXPECT_EQ(Run("pool --studies " + counts), kUnusable);
  EXPECT_THAT(err_, HasSubstr("measure=log_risk_ratio"));
  ASSERT_EQ(Run("pool --studies " + counts + " --set measure=log_risk_ratio --format json"), kDone)
      << err_;
  EXPECT_TRUE(ParseResultJson(out_).ok());
  const std::string effects =
      File("e.csv", "study,effect,standard_error\na,-0.9,0.5\nb,-1.6,0.4\nc,-1.3,0.6\n");
  ASSERT_EQ(Run("pool --studies " + effects), kDone) << err_;
  EXPECT_THAT(out_, HasSubstr("Finding"));
  EXPECT_EQ(Run("pool --studies " + File("bad.csv", "study,effect,variance\na,1,0\n")), kUnusable);
  EXPECT_THAT(err_, HasSubstr("row 2, column \"variance\" (C)"));
}

TEST_F(ProgramWithPlugins, ListsPluginsWithTheirDigests) {
  ASSERT_EQ(Run("plugin list"), kDone);
  for (const char* id : {"pooled-effects", "success-share", "time-to-threshold"}) {
    EXPECT_THAT(out_, HasSubstr(id));
  }
  EXPECT_THAT(out_, HasSubstr("sha256 "));
}

}  // namespace
}  // namespace plumule::cli
