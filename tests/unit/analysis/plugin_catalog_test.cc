// Which plugins there are, and which one an analysis gets.
#include "server/analysis/plugin_catalog.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_replace.h"
#include "server/analysis/sha256.h"
#include "server/protocol/reason.h"
#include "tests/unit/analysis/test_plugins.h"

namespace plumule::analysis {
namespace {

using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::SizeIs;

class Catalog : public ::testing::Test {
 protected:
  PluginCatalog Read() {
    absl::StatusOr<PluginCatalog> catalog = PluginCatalog::Read(plugins_.directory());
    EXPECT_TRUE(catalog.ok()) << catalog.status();
    return *std::move(catalog);
  }
  // What is wrong with the only plugin, `counter`.
  std::string ProblemWith(const std::string& manifest) {
    plugins_.Write("counter", manifest, "program");
    const PluginCatalog catalog = Read();
    EXPECT_THAT(catalog.plugins(), IsEmpty());
    return catalog.problems().empty() ? "" : catalog.problems()[0].what;
  }
  static std::string GoodManifest(const std::string& more = "") {
    return TestPlugins::ManifestOf("counter", more);
  }
  static study::v1::Analysis Asking(const std::string& range, const std::string& digest = "") {
    study::v1::Analysis analysis;
    analysis.set_id("main");
    analysis.set_plugin("counter");
    analysis.set_plugin_version(range);
    analysis.set_plugin_digest(digest);
    return analysis;
  }

  TestPlugins plugins_;
};

TEST_F(Catalog, ListsPluginsByIdWithTheDigestOfTheirExecutable) {
  plugins_.Write("zinnia", TestPlugins::ManifestOf("zinnia"), "zzz");
  plugins_.Write("counter", GoodManifest(), "abc");
  const PluginCatalog catalog = Read();
  EXPECT_THAT(catalog.problems(), IsEmpty());
  ASSERT_THAT(catalog.plugins(), SizeIs(2));
  EXPECT_EQ(catalog.plugins()[0].manifest.id(), "counter");
  // SHA-256 of "abc": FIPS 180-4, example of NIST.
  EXPECT_EQ(catalog.plugins()[0].digest,
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  EXPECT_EQ(catalog.plugins()[0].protocol_version, "1");
  EXPECT_EQ(Describe(catalog.plugins()[1]).id(), "zinnia");
}

TEST_F(Catalog, GoesOnWherePluginsAreBroken) {
  plugins_.Write("counter", GoodManifest(), "abc");
  std::filesystem::create_directory(plugins_.directory() + "/empty");
  plugins_.Write("torn", "{", "abc");
  std::ofstream(plugins_.directory() + "/a file beside them") << "x";
  std::filesystem::create_directory(plugins_.directory() + "/.hidden");
  const PluginCatalog catalog = Read();
  EXPECT_THAT(catalog.plugins(), SizeIs(1));
  ASSERT_THAT(catalog.problems(), SizeIs(2));
  EXPECT_EQ(catalog.problems()[0].folder, "empty");
  EXPECT_EQ(catalog.problems()[1].folder, "torn");
}

TEST_F(Catalog, SaysThatADirectoryIsMissing) {
  EXPECT_TRUE(absl::IsNotFound(PluginCatalog::Read(plugins_.directory() + "/none").status()));
}

TEST_F(Catalog, NamesWhatIsWrongWithAManifest) {
  const auto with = [](const char* from, const char* to) {
    return absl::StrReplaceAll(GoodManifest(), {{from, to}});
  };
  EXPECT_THAT(ProblemWith(with(R"("id": "counter")", R"("id": "Counter")")), HasSubstr("`id`"));
  EXPECT_THAT(ProblemWith(with(R"("id": "counter")", R"("id": "other")")),
              HasSubstr("folder is called \"counter\""));
  EXPECT_THAT(ProblemWith(with("1.0.0", "one")), HasSubstr("`version`"));
  EXPECT_THAT(ProblemWith(with(R"("executable": "counter")", R"("executable": "../counter")")),
              HasSubstr("`executable`"));
  EXPECT_THAT(ProblemWith(with(R"("executable": "counter")", R"("executable": "absent")")),
              HasSubstr("can't find"));
  EXPECT_THAT(ProblemWith(with(R"(["1"])", R"(["2", "3"])")),
              HasSubstr("it speaks version 2, 3 of the plugin protocol, this host speaks 1"));
  EXPECT_THAT(ProblemWith(with(
                  R"(["CAPABILITY_ANALYZE", "CAPABILITY_SYNTHESIZE", "CAPABILITY_PLAN"])", "[]")),
              HasSubstr("`capabilities`"));
  EXPECT_THAT(ProblemWith(GoodManifest(R"(, "colour": "green")")), HasSubstr("colour"));
  EXPECT_THAT(ProblemWith(GoodManifest(R"(, "parameters": [{"variable": {"id": "a"}}])")),
              HasSubstr("`a` in `parameters` has no type"));
  EXPECT_THAT(ProblemWith(GoodManifest(R"(, "expectations": [{"variable": {"id": "a"}}])")),
              HasSubstr("`a` in `expectations` has no type"));
  EXPECT_THAT(ProblemWith(GoodManifest(R"(, "parameters": [{"variable": {"id": "a", "yesNo": {}}},
                                                           {"variable": {"id": "a", "yesNo": {}}}])")),
              HasSubstr("`a` twice"));
}

TEST_F(Catalog, ReadsManifestsUpToTheirLimitsOnly) {
  EXPECT_THAT(ProblemWith(std::string(70000, ' ') + GoodManifest()), HasSubstr("64 KiB"));
  EXPECT_THAT(ProblemWith(std::string(60000, '[')), HasSubstr("nested more than"));
}

TEST_F(Catalog, TakesOnlyRegularFilesThatMayBeExecuted) {
  plugins_.Write("counter", GoodManifest(), "program", false);
  EXPECT_THAT(Read().problems()[0].what, HasSubstr("may not be executed"));
  std::filesystem::remove(plugins_.directory() + "/counter/counter");
  std::filesystem::create_symlink("/bin/true", plugins_.directory() + "/counter/counter");
  EXPECT_THAT(Read().problems()[0].what, HasSubstr("not a regular file"));
}

TEST_F(Catalog, GivesAnAnalysisThePluginOfAFittingVersion) {
  plugins_.Write("counter", GoodManifest(), "abc");
  const PluginCatalog catalog = Read();
  for (const char* range : {"", "1.0.0", ">=1.0.0 <2.0.0"}) {
    EXPECT_TRUE(catalog.Choose(Asking(range)).ok()) << range;
  }
  for (const char* range : {"<1.0.0", ">=1.1.0", ">=1.0.0 <1.0.0"}) {
    const absl::Status status = catalog.Choose(Asking(range)).status();
    EXPECT_TRUE(absl::IsFailedPrecondition(status)) << range;
    EXPECT_EQ(ReasonOf(status), "plugin_version_mismatch");
  }
  EXPECT_EQ(ReasonOf(catalog.Choose(Asking("newest")).status()), "version_range_malformed");
}

TEST_F(Catalog, GivesAnAnalysisTheVeryBuildThatItPins) {
  plugins_.Write("counter", GoodManifest(), "abc");
  const PluginCatalog catalog = Read();
  EXPECT_TRUE(catalog.Choose(Asking("", catalog.plugins()[0].digest)).ok());
  EXPECT_EQ(ReasonOf(catalog.Choose(Asking("", Sha256Hex("abd"))).status()),
            "plugin_version_mismatch");
}

TEST_F(Catalog, SaysThatAPluginIsNotInstalled) {
  const absl::Status status = Read().Choose(Asking("")).status();
  EXPECT_EQ(ReasonOf(status), "plugin_not_available");
  EXPECT_THAT(std::string(status.message()), HasSubstr("\"counter\""));
}

TEST(Defaults, AreFilledInForParametersThatWereNotGiven) {
  plugin::v1::Manifest manifest;
  for (const char* id : {"given", "left_out", "decided_from_the_data"}) {
    manifest.add_parameters()->mutable_variable()->set_id(id);
  }
  manifest.mutable_parameters(0)->mutable_default_value()->set_count(1);
  manifest.mutable_parameters(1)->mutable_default_value()->set_count(2);
  study::v1::Analysis analysis;
  analysis.add_parameters()->set_name("given");
  analysis.mutable_parameters(0)->mutable_value()->set_count(7);
  const study::v1::Analysis filled = WithDefaults(analysis, manifest);
  ASSERT_EQ(filled.parameters_size(), 2);
  EXPECT_EQ(filled.parameters(0).value().count(), 7);
  EXPECT_EQ(filled.parameters(1).name(), "left_out");
  EXPECT_EQ(filled.parameters(1).value().count(), 2);
  EXPECT_EQ(filled.confidence_level(), 0.95);
}

}  // namespace
}  // namespace plumule::analysis
