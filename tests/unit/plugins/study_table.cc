#include "tests/unit/plugins/study_table.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>
#include <map>
#include <sstream>

#include "server/analysis/result_check.h"

namespace plumule::tests {
namespace {

using analysis::v1::ColumnChunk;
using analysis::v1::ColumnType;

void AddColumn(analysis::v1::DatasetSchema& schema, const std::string& name, ColumnType type,
               const std::string& unit = "") {
  auto& column = *schema.add_columns();
  column.set_name(name);
  column.set_type(type);
  column.set_unit(unit);
}

// Codes of one column over all chunks.
class Dictionary {
 public:
  void Add(const std::string& code, ColumnChunk& chunk) {
    const auto [entry, is_new] = codes_.emplace(code, static_cast<std::int32_t>(codes_.size()));
    if (is_new) chunk.add_dictionary(code);
    chunk.add_codes(entry->second);
  }

 private:
  std::map<std::string, std::int32_t> codes_;
};

void SetBit(ColumnChunk& chunk, int row, bool present) {
  auto& bytes = *chunk.mutable_validity();
  if (bytes.size() <= static_cast<std::size_t>(row / 8)) bytes.push_back('\0');
  if (present) {
    auto& byte = bytes[static_cast<std::size_t>(row / 8)];
    byte = static_cast<char>(static_cast<unsigned char>(byte) | (1U << (row % 8)));
  }
}

}  // namespace

UnitRow Reached(const std::string& block, const std::string& unit, const std::string& arm,
                double day) {
  return {.block = block, .unit = unit, .arm = arm, .lower = day > 0 ? day - 1 : 0, .upper = day};
}

UnitRow Unfinished(const std::string& block, const std::string& unit, const std::string& arm,
                   double day, const std::string& status) {
  return {.block = block, .unit = unit, .arm = arm, .lower = day, .upper = {}, .status = status};
}

plugin::v1::AnalysisSetup MakeSetup(const std::string& control,
                                    const std::vector<std::string>& treatments) {
  plugin::v1::AnalysisSetup setup;
  auto& protocol = *setup.mutable_protocol();
  const auto add_arm = [&](const std::string& id, study::v1::ArmRole role) {
    auto& arm = *protocol.add_arms();
    arm.set_id(id);
    arm.mutable_label()->set_text("with " + id);
    arm.set_role(role);
  };
  add_arm(control, study::v1::ARM_ROLE_CONTROL);
  for (const std::string& id : treatments) add_arm(id, study::v1::ARM_ROLE_TREATMENT);
  protocol.mutable_material()->set_unit_kind(study::v1::UNIT_KIND_SEED);
  protocol.mutable_allocation()->set_method(study::v1::ALLOCATION_METHOD_SERVER_ALLOCATES);
  auto& threshold = *protocol.add_thresholds();
  threshold.set_id("sprouted");
  threshold.mutable_label()->set_text("a shoot shows");
  setup.mutable_analysis()->set_id("main");
  setup.mutable_analysis()->set_threshold("sprouted");
  return setup;
}

sdk::AnalysisInput MakeInput(const plugin::v1::AnalysisSetup& setup,
                             const std::vector<UnitRow>& rows, int chunk_rows) {
  analysis::v1::DatasetSchema schema;
  AddColumn(schema, "block", analysis::v1::COLUMN_TYPE_CODE);
  AddColumn(schema, "unit", analysis::v1::COLUMN_TYPE_CODE);
  AddColumn(schema, "arm", analysis::v1::COLUMN_TYPE_CODE);
  AddColumn(schema, "in_primary", analysis::v1::COLUMN_TYPE_YES_NO);
  AddColumn(schema, "site", analysis::v1::COLUMN_TYPE_CODE);
  AddColumn(schema, "sprouted_lower", analysis::v1::COLUMN_TYPE_NUMBER, "d");
  AddColumn(schema, "sprouted_upper", analysis::v1::COLUMN_TYPE_NUMBER, "d");
  AddColumn(schema, "sprouted_status", analysis::v1::COLUMN_TYPE_CODE);
  schema.set_rows(static_cast<std::int64_t>(rows.size()));
  schema.add_thresholds("sprouted");

  auto reader = sdk::TableReader::Make(schema, "units");
  EXPECT_TRUE(reader.ok()) << reader.status();
  Dictionary blocks, units, arms, sites, statuses;
  for (std::size_t first = 0; first < rows.size(); first += static_cast<std::size_t>(chunk_rows)) {
    analysis::v1::DatasetChunk chunk;
    for (int i = 0; i < 8; ++i) chunk.add_columns();
    int row = 0;
    for (std::size_t i = first; i < rows.size() && row < chunk_rows; ++i, ++row) {
      const UnitRow& unit = rows[i];
      blocks.Add(unit.block, *chunk.mutable_columns(0));
      units.Add(unit.unit, *chunk.mutable_columns(1));
      arms.Add(unit.arm, *chunk.mutable_columns(2));
      chunk.mutable_columns(3)->add_flags(unit.in_primary);
      sites.Add(unit.site, *chunk.mutable_columns(4));
      SetBit(*chunk.mutable_columns(4), row, !unit.site.empty());
      chunk.mutable_columns(5)->add_numbers(unit.lower);
      chunk.mutable_columns(6)->add_numbers(unit.upper.value_or(0));
      SetBit(*chunk.mutable_columns(6), row, unit.upper.has_value());
      statuses.Add(unit.status, *chunk.mutable_columns(7));
      SetBit(*chunk.mutable_columns(7), row, !unit.status.empty());
    }
    chunk.set_rows(row);
    const auto status = reader->Add(chunk);
    EXPECT_TRUE(status.ok()) << status;
  }
  auto table = std::move(*reader).Finish();
  EXPECT_TRUE(table.ok()) << table.status();
  return {.setup = setup, .units = *std::move(table), .looks = std::nullopt};
}

plugin::v1::Manifest ReadManifest(const std::string& id) {
  std::ifstream file(std::string(PLUMULE_PLUGINS_FOLDER) + "/" + id + "/manifest.json");
  std::stringstream text;
  text << file.rdbuf();
  auto manifest = sdk::ParseManifest(text.str());
  EXPECT_TRUE(manifest.ok()) << manifest.status();
  return *std::move(manifest);
}

sdk::Progress Quiet() {
  return [](double, absl::string_view) {};
}

const analysis::v1::Estimate* FindEstimate(const analysis::v1::Result& result,
                                           const std::string& measure, const std::string& method,
                                           const std::string& arm, const std::string& set,
                                           std::optional<double> at, const std::string& subgroup) {
  const analysis::v1::Estimate* found = nullptr;
  for (const auto& estimate : result.estimates()) {
    if (estimate.measure() != measure || estimate.method() != method) continue;
    if (!arm.empty() && estimate.arm() != arm) continue;
    if (!set.empty() && estimate.analysis_set() != set) continue;
    if (at && estimate.at() != *at) continue;
    if (estimate.subgroup() != subgroup) continue;
    EXPECT_EQ(found, nullptr) << "several of " << measure << " " << method;
    found = &estimate;
  }
  return found;
}

const analysis::v1::Test* FindTest(const analysis::v1::Result& result, const std::string& name,
                                   const std::string& arm, const std::string& method) {
  const analysis::v1::Test* found = nullptr;
  for (const auto& test : result.tests()) {
    if (test.name() != name || (!arm.empty() && test.arm() != arm)) continue;
    if (!method.empty() && test.method() != method) continue;
    EXPECT_EQ(found, nullptr) << "several of " << name;
    found = &test;
  }
  return found;
}

bool HasWarning(const analysis::v1::Result& result, const std::string& reason) {
  for (const auto& warning : result.warnings()) {
    if (warning.reason() == reason) return true;
  }
  return false;
}

std::string Findings(const analysis::v1::Result& result) {
  std::string text;
  for (const auto& sentence : result.findings()) text += sentence.text() + "\n";
  return text;
}

void ExpectAcceptable(const analysis::v1::Result& result) {
  EXPECT_THAT(analysis::ResultViolations(result), ::testing::IsEmpty());
  const std::string words = Findings(result);
  EXPECT_THAT(words, ::testing::Not(::testing::HasSubstr("significant")));
  EXPECT_THAT(words, ::testing::Not(::testing::HasSubstr("nan")));
  EXPECT_THAT(words, ::testing::Not(::testing::HasSubstr("inf ")));
}

analysis::v1::Result Accepted(absl::StatusOr<analysis::v1::Result> result) {
  EXPECT_TRUE(result.ok()) << result.status();
  if (!result.ok()) return {};
  ExpectAcceptable(*result);
  return *std::move(result);
}

}  // namespace plumule::tests
