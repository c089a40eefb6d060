#include "tests/unit/analysis/test_plugins.h"

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "absl/status/statusor.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"

namespace plumule::analysis {
namespace {

namespace fs = std::filesystem;

// Ends the test program where its own ground is missing.
template <typename Value>
Value OrDie(absl::StatusOr<Value> value) {
  if (!value.ok()) {
    std::fprintf(stderr, "%s\n", value.status().ToString().c_str());
    std::abort();
  }
  return *std::move(value);
}

}  // namespace

TestPlugins::TestPlugins()
    : folder_(OrDie(PrivateFolder::MakeIn(fs::temp_directory_path().string()))) {
  fs::create_directory(directory());
  fs::create_directory(folder_.path() + "/s");
}

std::string TestPlugins::ManifestOf(const std::string& id, const std::string& more) {
  return absl::StrCat(R"({"id": ")", id, R"(", "version": "1.0.0", "executable": ")", id,
                      R"(", "protocolVersions": ["1"],
          "capabilities": ["CAPABILITY_ANALYZE", "CAPABILITY_SYNTHESIZE", "CAPABILITY_PLAN"])",
                      more, "}");
}

void TestPlugins::Write(const std::string& id, const std::string& manifest,
                        const std::string& executable, bool may_execute) {
  const fs::path folder = fs::path(directory()) / id;
  fs::create_directory(folder);
  std::ofstream(folder / "manifest.json") << manifest;
  std::ofstream(folder / id) << executable;
  fs::permissions(folder / id, may_execute ? fs::perms::owner_all : fs::perms::owner_read);
}

InstalledPlugin TestPlugins::Install(const std::string& behavior) {
  const fs::path folder = fs::path(directory()) / behavior;
  fs::create_directory(folder);
  std::ofstream(folder / "manifest.json") << ManifestOf(behavior);
  fs::copy_file(PLUMULE_TEST_PLUGIN, folder / behavior, fs::copy_options::overwrite_existing);
  return OrDie(ReadPluginFolder(folder));
}

PluginLimits TestPlugins::limits() const {
  PluginLimits limits;
  limits.start = absl::Seconds(20);
  limits.work = absl::Seconds(20);
  limits.question = absl::Seconds(20);
  limits.shutdown = absl::Milliseconds(500);
  limits.scratch = folder_.path() + "/s";
#ifdef __SANITIZE_ADDRESS__
  // The sanitizer reserves terabytes that it never touches.
  limits.address_space_margin_mib = std::int64_t{1} << 30;
#endif
  return limits;
}

bool TestPlugins::ScratchIsEmpty() const { return fs::is_empty(folder_.path() + "/s"); }

std::unique_ptr<MemoryDataset> SmallDataset(int rows) {
  TableBuilder builder({Column("block", v1::COLUMN_TYPE_CODE), Column("unit", v1::COLUMN_TYPE_CODE),
                        Column("arm", v1::COLUMN_TYPE_CODE)},
                       100);
  for (int i = 0; i < rows; ++i) {
    const absl::Status added = builder.AddRow(
        {absl::StrCat("block", i / 2), absl::StrCat("unit", i), i % 2 == 0 ? "water" : "soil"});
    if (!added.ok()) std::abort();
  }
  return std::make_unique<MemoryDataset>(std::move(builder).Build());
}

bool GroupLives(const std::string& output) {
  const std::vector<std::string> words = absl::StrSplit(output, absl::ByAnyChar(" \n"));
  const std::string group = words.size() > 1 && words[0] == "process" ? words[1] : "none";
  for (const fs::directory_entry& entry : fs::directory_iterator("/proc")) {
    std::ifstream file(entry.path() / "stat");
    std::stringstream text;
    text << file.rdbuf();
    const std::string stat = text.str();
    const size_t name_end = stat.rfind(')');
    if (name_end == std::string::npos) continue;
    // state, parent, group
    const std::vector<std::string> fields = absl::StrSplit(stat.substr(name_end + 2), ' ');
    if (fields.size() > 2 && fields[2] == group && fields[0] != "Z" && fields[0] != "X")
      return true;
  }
  return false;
}

}  // namespace plumule::analysis
